-- A row is a file of dig-behind audits and the mapping that read them. Key: source_sha256. Reads source_file.
select source_sha256, coalesce(min(mapping), '') as mapping
from source_file
where kind = 'loss_audit'
group by source_sha256
order by source_sha256
