-- A row is a kind of source's share of a response's variance; settings and conditions each taken together. Key: response, kind.
-- Reads variance_share.
select response, kind, sum(share) as share
from variance_share
where share is not null
group by response, kind
order by response, share desc
