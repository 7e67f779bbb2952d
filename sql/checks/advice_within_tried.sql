-- A row is advice outside the range the fleet has tried in its class of conditions. Advice of an earlier fit is based
-- on the range tried then, so it is not checked against this fit.
-- Reads advice, effect, product_basis, fit_run.
select a.machine_id, a.setting, a.to_value, e.tried_lo, e.tried_hi
from advice as a
inner join effect as e
    on e.setting = a.setting and e.response = 'dirt_tare_pct'
    and e.wetness_class = a.wetness_class and e.soil_class = a.soil_class
where a.to_value not between e.tried_lo - 1e-9 and e.tried_hi + 1e-9
    and not exists (
        select 1 from product_basis as b
        where b.product = 'advice' and b.fitted_at is distinct from (select max(r.fitted_at) from fit_run as r)
    )
