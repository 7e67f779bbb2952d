-- A row is a telemetry source with accepted rows but without a recorded lake file. Key: source_sha256.
-- Reads source_file, lake_file.
select distinct s.source_sha256, s.file
from source_file as s
anti join lake_file as f using (source_sha256)
where s.kind = 'telemetry' and s.rows_accepted > 0
order by s.source_sha256
