-- A row is a rejected row that can be corrected and sent again, with the lines of its file above the rows.
-- Key: source_sha256, part, line. reasons: list of its reasons (reason_code, reason_args).
-- Reads rejected_row, source_file. Parameter: file (a LIKE pattern).
select
    s.source_sha256, s.file, s.mapping, s.header, r.part, r.line, r.raw,
    list({'reason_code': r.reason_code, 'reason_args': r.reason_args} order by r.rule) as reasons
from rejected_row as r join source_file as s using (source_sha256)
where r.line > 0 and s.mapping is not null and s.file like $file
group by all
order by s.file, r.part, r.line
