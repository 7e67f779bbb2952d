-- A row is a file that violates rows in = accepted + rejected + repeated. Reads source_file, rejected_row.
select s.file, s.rows_in, s.rows_accepted, s.rows_rejected, s.rows_repeated, count(r.line) as rejected_kept
from source_file as s
left join rejected_row as r using (source_sha256)
group by all
having s.rows_in <> s.rows_accepted + s.rows_rejected + s.rows_repeated or s.rows_rejected <> count(r.line)
