-- A row is a grower's season: its own loads and their dirt. Expected values are added under disclosure control
-- (`reports/grower_sheet.py`). Key: grower_id.
-- Reads load_fact, expected_load.
select f.grower_id, count(*) as loads, count(e.observed_pct) as measured, sum(f.gross_t) as gross_t,
    avg(e.observed_pct) as observed_pct, 1.96 * stddev_samp(e.observed_pct) / sqrt(count(e.observed_pct)) as observed_half,
    max(f.shift_date) as last_day
from load_fact as f
left join expected_load as e using (load_id)
where f.grower_id is not null
group by f.grower_id
order by natural_order(f.grower_id)
