-- A row is a setting of the guide and its usual value in the season: the mean over generations and classes of
-- conditions, weighted with the beet without soil lifted in them. Key: setting. Reads guide, guide_worth.
select g.setting, sum(g.usual_value * w.soil_free_t) / sum(w.soil_free_t) as usual_value
from guide as g
inner join guide_worth as w using (generation, wetness_class, soil_class)
where g.usual_value is not null
group by g.setting
having sum(w.soil_free_t) > 0
order by g.setting
