-- A row is one source's share of a response's variance, with an interval. Key: response, source. Reads variance_share.
select response, source, kind, share, lo95, hi95, reason_code, reason_args
from variance_share
order by response, share desc nulls last, source
