-- A row is a dig-behind plot with its file and what is known of its ground: the yield of its field, and the spacing of
-- its rows as the audit, else the field list, else the list of machines states it. Key: audit_id.
-- Reads audit_delivery, field, machine.
select
    a.* exclude (line, part, file_at, row_spacing_cm),
    f.yield_t_ha,
    coalesce(a.row_spacing_cm, f.row_spacing_cm, m.row_spacing_cm) as row_spacing_cm
from audit_delivery as a
left join "field" as f on f.field_id = a.field_id
left join "machine" as m on m.machine_id = a.machine_id
order by a.audit_id
