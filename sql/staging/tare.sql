-- A row is a lab result of one sample and revision. Key: sample_id, revision. Reads received_tare, arrived_file: of several deliveries the newest counts, whatever came first.
create or replace view "tare" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_tare as r join arrived_file as s using (source_sha256))
qualify row_number() over (partition by sample_id, revision order by issued_at desc nulls last, file_at desc, source_sha256, part, line) = 1
order by sample_id, revision;
