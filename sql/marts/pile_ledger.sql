-- A row is a pile: the loads one site received from one shift. Key: site_id, shift_date. Reads storability.
-- slice_order is 1 for the pile with the highest sugar loss per tonne and day as of the last shift; piles older than
-- their planned days count as sliced and come last.
select
    site_id,
    shift_date,
    max(age_days) as age_days,
    max(age_days) <= max(planned_days) as lies,
    count(*) as loads,
    sum(soil_free_t) as soil_free_t,
    sum(dirt_tare_pct * soil_free_t) / sum(soil_free_t) as dirt_tare_pct,
    sum(top_tare_pct * soil_free_t) / sum(soil_free_t) filter (where top_tare_pct is not null) as top_tare_pct,
    sum(root_temp_c * soil_free_t) / sum(soil_free_t) as root_temp_c,
    sum(loss_now_kg_per_t_day * soil_free_t) / sum(soil_free_t) as loss_now_kg_per_t_day,
    sum(loss_kg_per_t * soil_free_t) / sum(soil_free_t) as loss_kg_per_t,
    sum(loss_kg_per_t * soil_free_t) / 1000 as sugar_loss_t,
    sum(soil_free_t) filter (where storability = 'slice now') as slice_now_t,
    sum(soil_free_t) filter (where storability = 'short pile') as short_pile_t,
    sum(soil_free_t) filter (where storability = 'long pile') as long_pile_t,
    row_number() over (
        order by max(age_days) > max(planned_days), sum(loss_now_kg_per_t_day * soil_free_t) / sum(soil_free_t) desc,
            site_id, shift_date
    ) as slice_order
from storability
group by site_id, shift_date
order by slice_order
