-- One row: the season at a glance. Dirt is the mean of measured loads weighed by mass; halves are of 95 % intervals.
-- Reads load_fact, expected_load, audit_fact.
with loads as (
    select count(*) as loads, count(dirt_tare_pct) as measured, sum(gross_t) as gross_t,
        count(distinct field_id) as fields, count(distinct grower_id) as growers, count(distinct machine_id) as machines,
        count(distinct shift_date) as days, min(shift_date) as first_day, max(shift_date) as last_day,
        sum(dirt_tare_pct * gross_t) / sum(gross_t) filter (where dirt_tare_pct is not null) as dirt_pct,
        sum(recoverable_sugar_pct * gross_t) / sum(gross_t) filter (where recoverable_sugar_pct is not null) as recoverable_sugar_pct,
        sum(sugar_pct * gross_t) filter (where recoverable_sugar_pct is not null)
            / sum(gross_t) filter (where recoverable_sugar_pct is not null) as sugar_pct,
        count(recoverable_sugar_pct) as sugar_loads,
        1.96 * stddev_samp(dirt_tare_pct) / sqrt(count(dirt_tare_pct)) as dirt_half
    from load_fact
),

audits as (
    select count(root_loss_t_ha) as plots, avg(root_loss_t_ha) as root_loss_t_ha,
        1.96 * stddev_samp(root_loss_t_ha) / sqrt(count(root_loss_t_ha)) as root_loss_half
    from audit_fact
)

select * from loads cross join audits
