-- A row is a response whose shares of variance do not sum to 1. Reads variance_share.
select response, sum(share) as total
from variance_share
group by response
having abs(sum(share) - 1) > 1e-6
