-- A row is an inbox file whose reader failed, with its quarantine flag: a file in quarantine is not read until it
-- changes.
-- Key: file. Reads failed_read, inbox_file.
select min(i.file) as file, f.reason_code, f.failures, f.failures >= $max_tries as in_quarantine, f.last_failed_at
from failed_read as f
join inbox_file as i using (source_sha256)
group by f.source_sha256, f.reason_code, f.failures, f.last_failed_at
order by in_quarantine desc, file
