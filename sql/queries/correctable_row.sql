-- A row is a rejected row that can be corrected and sent again, with the lines of its file above the rows. A row that
-- several mappings rejected is one row with all of their reasons, if they read the same lines above it.
-- Key: source_sha256, header, part, line. mapping: the first one that rejected it. reasons: list of its reasons
-- (reason_code, reason_args). Reads rejected_row, source_file. Parameter: file (a LIKE pattern).
select
    s.source_sha256, s.file, min(s.mapping) as mapping, s.header, r.part, r.line, r.raw,
    list({'reason_code': r.reason_code, 'reason_args': r.reason_args} order by r.rule, r.mapping) as reasons
from rejected_row as r
join source_file as s on s.source_sha256 = r.source_sha256 and s.mapping = r.mapping
where r.line > 0 and s.file like $file
group by s.source_sha256, s.file, s.header, r.part, r.line, r.raw
order by s.file, s.source_sha256, s.header, r.part, r.line
