-- A row is a dig-behind plot. Key: audit_id. Reads received_loss_audit: of several deliveries the newest counts.
create or replace view "loss_audit" as
select * exclude (source_sha256, line, received_at)
from received_loss_audit
qualify row_number() over (partition by audit_id order by received_at desc, source_sha256, line) = 1
order by audit_id;
