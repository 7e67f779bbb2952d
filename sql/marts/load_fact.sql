-- A row is a load: responses, traced settings, conditions, ids, trace quality. Key: load_id.
-- trial_block: pair of a trial, within which loads are compared, with trial_setting and trial_value. varied_settings: names of
-- the settings varied by plan in the load, joined by |, in alphabetical order.
-- Reads load, load_weight, load_tare, load_setting, load_trace_grade, field, field_root_mass, field_hour, machine,
-- trial_load, varied_load.
with varied as (
    select load_id, string_agg(setting, '|' order by setting) as varied_settings
    from varied_load
    where is_counted
    group by load_id
),

placed as (
    select
        l.load_id,
        coalesce(s.machine_id, l.machine_id) as machine_id,
        l.field_id,
        l.site_id,
        l.weighed_at,
        coalesce(s.lifted_at, l.left_field_at, l.weighed_at - interval 45 minute) as lifted_at,
        -- The shift that lifted the load, not the day of weighing, because a pile is weighed days later.
        cast((coalesce(s.lifted_at, l.left_field_at, l.weighed_at) at time zone $zone) - $shift_starts as date) as shift_date,
        w.delivered_t,
        w.clean_t,
        s.* exclude (load_id, field_id, machine_id, lifted_at)
    from "load" as l
    join load_weight as w using (load_id)
    left join load_setting as s using (load_id)
)
select
    p.* exclude (delivered_t, clean_t),
    p.delivered_t,
    p.clean_t,
    t.dirt_tare_pct,
    t.top_tare_pct,
    t.sample_kg,
    t.sampling_reason,
    t.sugar_pct,
    t.recoverable_sugar_pct,
    h.topsoil_wetness,
    h.air_temp_c,
    h.air_temp_10d_c,
    h.rain_24h_mm,
    h.rain_72h_mm,
    f.clay_pct,
    f.yield_t_ha,
    f.row_spacing_cm,
    k.root_mass_kg,
    k.root_mass_source,
    f.grower_id,
    m.generation,
    m.operator_id,
    r.trial_block,
    r.trial_setting,
    r.trial_value,
    -- The lot of a part trial is by day: settings may vary by plan within it.
    case when r.trial_block is null or ends_with(r.trial_setting, '_elements') then v.varied_settings end as varied_settings,
    coalesce(g.trace_quality, 0) as trace_quality,
    coalesce(g.claimed_quality, 0) as claimed_quality,
    coalesce(g.machine_chance, 0) as machine_chance
from placed as p
left join load_tare as t using (load_id)
left join load_trace_grade as g using (load_id)
left join "field" as f on f.field_id = p.field_id
left join field_root_mass as k on k.field_id = p.field_id
left join field_hour as h on h.field_id = p.field_id and h.hour_at = date_trunc('hour', p.lifted_at)
left join machine as m on m.machine_id = p.machine_id
left join trial_load as r using (load_id)
left join varied as v using (load_id)
order by p.load_id
