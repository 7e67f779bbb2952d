-- A row is a fit with the number of its checks and of passed checks. Key: response. Reads fit_run, fit_check.
select
    r.response, r.n, r.converged,
    count(c.passed) as made,
    count(*) filter (where c.passed) as passed
from fit_run as r
left join fit_check as c using (response)
group by r.response, r.n, r.converged
order by r.response
