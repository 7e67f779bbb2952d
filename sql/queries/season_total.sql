-- One row: totals of the season. Dirt is the mass-weighted mean of measured loads; halves are half widths of 95 %
-- intervals with visits (machine, field, shift) as clusters, null with fewer than two. Reads load_fact,
-- audit_fact, root_check_fact.
with loads as (
    select count(*) as loads, count(dirt_tare_pct) as measured, sum(delivered_t) as delivered_t,
        count(distinct field_id) as fields, count(distinct grower_id) as growers, count(distinct machine_id) as machines,
        count(distinct shift_date) as days, min(shift_date) as first_day, max(shift_date) as last_day,
        sum(dirt_tare_pct * delivered_t) / sum(delivered_t) filter (where dirt_tare_pct is not null) as dirt_pct,
        sum(recoverable_sugar_pct * delivered_t) / sum(delivered_t) filter (where recoverable_sugar_pct is not null) as recoverable_sugar_pct,
        sum(sugar_pct * delivered_t) filter (where recoverable_sugar_pct is not null)
            / sum(delivered_t) filter (where recoverable_sugar_pct is not null) as sugar_pct,
        count(recoverable_sugar_pct) as sugar_loads,
        sum(top_tare_pct * delivered_t) / sum(delivered_t) filter (where top_tare_pct is not null) as top_tare_pct,
        avg(yield_t_ha) as yield_t_ha
    from load_fact
),

load_visit as (
    select sum(dirt_tare_pct * delivered_t) as dirt, sum(delivered_t) as delivered_t
    from load_fact
    where dirt_tare_pct is not null
    group by machine_id, field_id, shift_date
),

load_half as (select cluster_half(dirt, delivered_t) as dirt_half, count(*) as visits_measured from load_visit),

audit_visit as (
    select sum(root_loss_t_ha) as loss, count(root_loss_t_ha) as n
    from audit_fact
    where root_loss_t_ha is not null
    group by machine_id, field_id, shift_date
),

audits as (
    select cast(coalesce(sum(n), 0) as bigint) as plots, sum(loss) / sum(n) as root_loss_t_ha,
        cluster_half(loss, n) as root_loss_half
    from audit_visit
),

checks as (
    select sum(over_topped_count) * 100.0 / sum(topping_checked_count) filter (where over_topped_count is not null)
        as over_topped_pct,
        sum(damaged_count) * 100.0 / sum(damage_checked_count) filter (where damaged_count is not null) as damaged_pct
    from root_check_fact
)

select * from loads cross join load_half cross join audits cross join checks
