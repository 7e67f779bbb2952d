-- A row is a day of the season: what was delivered, dirt observed and expected for its conditions, and rain (mean of the
-- stations). Key: day. Reads load_fact, expected_load, weather_filled. Parameter: zone.
with loads as (
    select f.shift_date as day, count(*) as loads, count(e.observed_pct) as measured, sum(f.gross_t) as gross_t,
        avg(e.observed_pct) as observed_pct, 1.96 * stddev_samp(e.observed_pct) / sqrt(count(e.observed_pct)) as observed_half,
        avg(e.expected_pct) as expected_pct, avg(f.topsoil_wetness) as topsoil_wetness
    from load_fact as f
    left join expected_load as e using (load_id)
    group by f.shift_date
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
