-- A row is a kind of file and the mapping that reads it: files, rows, and how far behind its newest row is.
-- Key: kind, mapping. Reads source_file. Parameter: now.
select kind, mapping, count(*) as files, sum(rows_in)::bigint as rows_in, sum(rows_rejected)::bigint as rows_rejected,
    max(received_at) as last_received_at, max(to_at) as newest_row_at,
    round(date_diff('minute', max(to_at), $now) / 60.0, 1) as lag_h
from source_file
where kind is not null
group by kind, mapping
order by kind, mapping
