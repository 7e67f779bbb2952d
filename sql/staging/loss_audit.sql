-- A row is a dig-behind plot. Key: audit_id. Reads audit_delivery.
create or replace view "loss_audit" as
select * exclude (source_sha256, line, part, file, file_at)
from audit_delivery
order by audit_id;
