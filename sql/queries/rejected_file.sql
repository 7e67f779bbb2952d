-- A row is a file of a run and a mapping with rejected rows, with the most frequent reason. is_whole: the file was not
-- read at all. Key: file, mapping. Reads rejected_row. Parameter: files (list of names).
with reason as (
    select file, mapping, reason_code, reason_args, count(*) as rows, bool_and(line = 0 and part is null) as is_whole
    from rejected_row
    where list_contains($files, file)
    group by file, mapping, reason_code, reason_args
)
select file, mapping, sum(rows)::bigint as rows, bool_and(is_whole) as is_whole,
    first(reason_code order by rows desc, reason_code, reason_args) as reason_code,
    first(reason_args order by rows desc, reason_code, reason_args) as reason_args
from reason
group by file, mapping
order by file, mapping
