-- One row if tares are missing for weighed loads; before the first tare, the delay counts from the first load.
-- Reads load, load_tare. Parameter: hours.
with newest as (
    select
        max(weighed_at) as weighed_at,
        coalesce(max(weighed_at) filter (where load_id in (select load_id from load_tare)), min(weighed_at)) as measured_at
    from "load"
)
select weighed_at, measured_at, round(date_diff('minute', measured_at, weighed_at) / 60.0, 1) as behind_h
from newest
where date_diff('minute', measured_at, weighed_at) > 60 * $hours
