-- A row is the share of a response's variance from one kind of source; all settings together, all conditions together.
-- Key: response, kind. Reads variance_share.
select response, kind, sum(share) as share
from variance_share
where share is not null
group by response, kind
order by response, share desc
