-- A row is a machine-day of the logs, with the file that delivered it. worked: true if the machine worked, or if its work
-- is not computed. covered: share of the time from the first to the last record that has bins.
-- Days whose records have expired are in machine_day alone. Key: machine, day.
-- Reads lake_file, machine_day, source_file.
with logged as (
    select f.machine, f.day, min(s.mapping) as mapping, min(s.file) as file
    from lake_file as f
    left join source_file as s on s.source_sha256 = f.source_sha256 and s.kind = 'telemetry'
    where f.kind = 'telemetry'
    group by f.machine, f.day
)
select
    coalesce(l.machine, d.machine) as machine, d.machine_id, cast(coalesce(l.day, d.day) as date) as day,
    coalesce(d.working_h > 0, true) as worked,
    d.bins * 30 / (date_diff('second', d.first_at, d.last_at) + 30) as covered, coalesce(l.mapping, '') as mapping, coalesce(l.file, '') as file
from logged as l
full join machine_day as d on d.machine = l.machine and d.day = l.day
order by 1, 3
