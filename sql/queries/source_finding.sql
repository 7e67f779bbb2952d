-- A row is a remark on the reading of files, with the number of files it applies to. Key: reason_code,
-- reason_args. Reads source_finding.
select reason_code, reason_args, count(distinct source_sha256) as files, min(file) as first_file
from source_finding
group by reason_code, reason_args
order by files desc, reason_code, reason_args
limit 40
