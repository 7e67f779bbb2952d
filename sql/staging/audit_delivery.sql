-- A row is the delivery of a dig-behind plot that counts, with its file: of several deliveries the newest, whatever came first.
-- Key: audit_id. Reads received_loss_audit, arrived_file.
create or replace view audit_delivery as
select r.*, s.file, s.file_at
from received_loss_audit as r join arrived_file as s using (source_sha256)
qualify row_number() over (partition by audit_id order by file_at desc, source_sha256, part, line) = 1
order by audit_id;
