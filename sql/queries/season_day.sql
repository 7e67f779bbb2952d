-- A row is a day of the season: deliveries, observed dirt and dirt expected for the conditions, and rain (mean of the
-- stations). observed_half is the half width of a 95 % interval with the day's visits (machine and field) as clusters,
-- null with fewer than two. Key: day. Reads load_fact, expected_load, weather_filled. Parameter: zone.
with visit as (
    select f.shift_date as day, count(*) as loads, count(e.observed_pct) as measured, sum(f.delivered_t) as delivered_t,
        sum(e.observed_pct) as observed, sum(e.expected_pct) as expected, count(e.expected_pct) as n_expected,
        sum(f.topsoil_wetness) as wetness, count(f.topsoil_wetness) as n_wetness
    from load_fact as f
    left join expected_load as e using (load_id)
    group by f.shift_date, f.machine_id, f.field_id
),

loads as (
    select day, cast(sum(loads) as bigint) as loads, cast(sum(measured) as bigint) as measured, sum(delivered_t) as delivered_t,
        sum(observed) / sum(measured) as observed_pct, cluster_half(observed, measured) as observed_half,
        sum(expected) / sum(n_expected) as expected_pct, sum(wetness) / sum(n_wetness) as topsoil_wetness
    from visit
    group by day
),

rain as (
    select cast(hour_at at time zone $zone as date) as day, sum(rain_mm) / count(distinct station_id) as rain_mm
    from weather_filled
    group by 1
)

select l.*, coalesce(r.rain_mm, 0) as rain_mm
from loads as l
left join rain as r using (day)
order by l.day
