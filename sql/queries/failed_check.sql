-- A row is a check of a fit that failed. Key: response, check. Reads fit_check.
select response, "check", reason_code, reason_args
from fit_check
where passed = false
order by response, "check"
