-- A row is a remark on the reading of files, with the number of files it applies to. Key: says.
-- Reads source_finding.
select says, count(distinct source_sha256) as files, min(file) as first_file
from source_finding
group by says
order by files desc, says
limit 40
