-- A row is a setting that the guide moves away from its usual value in one class of conditions: both values, and the
-- additional cost per clean tonne at the tried value nearest to the usual one, largest first within the class.
-- Key: generation, wetness_class, soil_class, setting. Reads guide, guide_curve.
with nearest as (
    select g.generation, g.wetness_class, g.soil_class, g.setting, g.unit, g.usual_value, g.start_value,
        arg_min(c.value, abs(c.value - g.usual_value)) as tried_value,
        arg_min(c.cost_change_per_t, abs(c.value - g.usual_value)) as usual_costs_per_t
    from guide as g
    inner join guide_curve as c using (generation, wetness_class, soil_class, setting)
    where g.reason_code = 'best_of_tried'
    group by all
)

select generation, wetness_class, soil_class, setting, unit, usual_value, start_value, usual_costs_per_t
from nearest
where abs(tried_value - start_value) > 1e-9
order by generation, wetness_class, soil_class, usual_costs_per_t desc, setting
