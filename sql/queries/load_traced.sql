-- One row: a load, its ticket, grade and likeliest machine, and the offsets of its machine and weighbridge, minutes.
-- Queues do not shift clock times: `site_later_min` and `machine_sooner_min` are offsets of unknown cause.
-- Reads load, load_weighed, load_trace_grade, load_setting, field, clock_offset. Parameter: load_id.
select
    l.load_id, l.field_id, l.site_id, l.machine_id as ticket_machine_id, s.machine_id, l.left_field_at, l.weighed_at,
    w.weighed_true_at,
    l.delivered_t, f.yield_t_ha, g.trace_quality, g.traced_share, g.machine_chance, g.reason_code, g.reason_args,
    coalesce(case when machine.cause_code = 'clock' then machine.offset_min end, 0) as machine_ahead_min,
    w.site_ahead_min,
    coalesce(case when machine.cause_code is distinct from 'clock' then machine.offset_min end, 0) as machine_sooner_min,
    coalesce(case when site.cause_code is distinct from 'clock' then site.offset_min end, 0) as site_later_min
from "load" as l
inner join load_weighed as w using (load_id)
left join load_trace_grade as g using (load_id)
left join load_setting as s using (load_id)
left join "field" as f on f.field_id = l.field_id
left join clock_offset as machine on machine.subject_kind = 'machine' and machine.subject_id = s.machine_id and machine.corrected
    and cast(s.lifted_at as date) between machine.from_date and machine.to_date
left join clock_offset as site on site.subject_kind = 'site' and site.subject_id = l.site_id and site.corrected
    and cast(l.weighed_at as date) between site.from_date and site.to_date
where l.load_id = $load_id
limit 1
