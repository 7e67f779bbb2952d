-- A row is a reason for rejected rows of a file, with one example. Key: file, reason_code, reason_args. Reads rejected_row.
select file, reason_code, reason_args, count(*) as rows, min(line) as first_line, arg_min(raw, line) as example
from rejected_row
group by file, reason_code, reason_args
order by rows desc, file, first_line
limit 40
