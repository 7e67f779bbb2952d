-- A row is a setting whose effect is certain in two wetness classes and differs between them by more than the width of
-- both intervals; the pair with the largest difference. Key: response, setting. Reads effect.
with cell as (
    select * from effect where wetness_class is not null and soil_class is null and change_pct is not null
)

select
    a.response, a.setting, a.step, a.unit,
    a.wetness_class as low_class, a.change_pct as low_pct,
    b.wetness_class as high_class, b.change_pct as high_pct
from cell as a
inner join cell as b on b.response = a.response and b.setting = a.setting and b.lo95 > a.hi95
qualify row_number() over (partition by a.response, a.setting order by b.change_pct - a.change_pct desc) = 1
order by a.response, b.change_pct - a.change_pct desc
