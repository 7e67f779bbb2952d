-- A row is a lab result of one sample and revision. Key: sample_id, revision. Reads received_tare: of several deliveries the newest counts.
create or replace view "tare" as
select * exclude (source_sha256, line, received_at)
from received_tare
qualify row_number() over (partition by sample_id, revision order by received_at desc, source_sha256, line) = 1
order by sample_id, revision;
