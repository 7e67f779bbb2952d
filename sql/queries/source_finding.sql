-- A row is something a person should know of how files were read, with how many files it holds for. Key: says.
-- Reads source_finding.
select says, count(distinct source_sha256) as files, min(file) as first_file
from source_finding
group by says
order by files desc, says
limit 40
