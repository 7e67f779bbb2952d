-- A row is a reason for rejected rows of a file, with one example. Key: file, says. Reads rejected_row.
select file, says, count(*) as rows, min(line) as first_line, arg_min(raw, line) as example
from rejected_row
group by file, says
order by rows desc, file, first_line
limit 40
