-- A row is a dig-behind plot. Key: audit_id. Reads received_loss_audit, source_file: of several deliveries the newest counts, whatever came first.
create or replace view "loss_audit" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_loss_audit as r join source_file as s using (source_sha256))
qualify row_number() over (partition by audit_id order by file_at desc, source_sha256, part, line) = 1
order by audit_id;
