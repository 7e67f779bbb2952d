-- A row is a field with the mean mass of its roots and where that is known from. Key: field_id.
-- Reads field, root_check, load_tare, load, loss_audit.
-- root_mass_source: the first that exists of root_check, tare and audit, each a mean over the season (root checks by the
-- roots inspected); else plants_per_ha, the yield over the plants per ha of the field list or of audits; else null, as is the mass.
with checked as (
    select coalesce(c.field_id, l.field_id) as field_id,
        sum(c.root_mass_kg * c.checked_roots_count) / sum(c.checked_roots_count) as kg
    from "root_check" as c left join "load" as l using (load_id)
    where c.root_mass_kg is not null
    group by 1
),
sampled as (
    select l.field_id, avg(t.root_mass_kg) as kg
    from load_tare as t join "load" as l using (load_id)
    where t.root_mass_kg is not null
    group by 1
),
dug as (
    select field_id, avg(root_mass_kg) as kg, avg(stand_plants_per_ha) as stand_per_ha
    from "loss_audit"
    group by 1
),
known as (
    select f.field_id, c.kg as of_checks, t.kg as of_tares, a.kg as of_audits, 1000 * f.yield_t_ha as yield_kg_ha,
        coalesce(f.stand_plants_per_ha, a.stand_per_ha) as stand_per_ha
    from "field" as f
    left join checked as c using (field_id)
    left join sampled as t using (field_id)
    left join dug as a using (field_id)
)
select
    field_id,
    coalesce(of_checks, of_tares, of_audits, yield_kg_ha / stand_per_ha) as root_mass_kg,
    case
        when of_checks is not null then 'root_check'
        when of_tares is not null then 'tare'
        when of_audits is not null then 'audit'
        when stand_per_ha is not null then 'plants_per_ha'
    end as root_mass_source
from known
order by field_id
