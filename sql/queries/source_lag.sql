-- A row is a kind of file and the mapping that reads it: files, rows, and the delay of its newest row. The time of a
-- tare is the weighing time of its load.
-- Key: kind, mapping. Reads source_file, load, load_tare. Parameter: now.
with newest_tare as (
    select max(l.weighed_at) as weighed_at from "load" as l semi join load_tare as t using (load_id)
),
source as (
    select kind, mapping, count(*) as files, sum(rows_in)::bigint as rows_in, sum(rows_rejected)::bigint as rows_rejected,
        max(received_at) as last_received_at,
        case when kind = 'tare' then (select weighed_at from newest_tare) else max(to_at) end as newest_row_at
    from source_file
    where kind is not null
    group by kind, mapping
)
select *, round(date_diff('minute', newest_row_at, $now) / 60.0, 1) as lag_h
from source
order by kind, mapping
