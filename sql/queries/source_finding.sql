-- A row is a remark on the reading of files or on the audits in them, with the number of files it applies to. Key:
-- reason_code, reason_args. Reads source_finding, audit_finding.
select reason_code, reason_args, count(distinct source_sha256) as files, min(file) as first_file
from (from source_finding union all by name from audit_finding)
group by reason_code, reason_args
order by files desc, reason_code, reason_args
limit 40
