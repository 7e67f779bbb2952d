-- A row is a machine-day. Key: machine, day. Reads the lake's bins. Parameter: paths. Sums are over integers, so that
-- the reading order cannot change their last digits.
select
    regexp_extract(filename, '([^/]+)/[^/]+[.]parquet$', 1) as machine,
    regexp_extract(filename, '([^/]+)[.]parquet$', 1) as day,
    any_value(machine_id) as machine_id,
    min(bin_at) as first_at,
    max(bin_at) as last_at,
    count(*) as bins,
    (coalesce(sum(round(work_s * 1000)::bigint), 0) / 3600000.0)::double as working_h,
    (coalesce(sum(round(area_ha * 1000000)::bigint), 0) / 1000000.0)::double as area_ha
from read_parquet($paths, union_by_name = true, filename = true)
group by filename
order by machine, day
