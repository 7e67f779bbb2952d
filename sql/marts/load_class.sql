-- A row is a load and the classes of its topsoil and soil (dry below 0.35, wet from 0.65; light below 18 % clay, heavy
-- above 35 %). Key: load_id. Reads load_fact.
select
    load_id,
    case when topsoil_wetness < 0.35 then 'dry' when topsoil_wetness < 0.65 then 'moist' when topsoil_wetness is not null then 'wet' end as wetness_class,
    case when clay_pct < 18 then 'light' when clay_pct <= 35 then 'medium' when clay_pct is not null then 'heavy' end as soil_class
from load_fact
order by load_id
