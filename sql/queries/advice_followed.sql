-- A row is a move in force for a shift that was shown, and what the machine did with it. n: its loads; measured: those with a lab result,
-- whose mean observed and expected dirt follow; advised_dirt_pct: dirt that the advice expected after this move and
-- those before it. Key: machine_id, setting. Reads advice_uptake, advice_issued, load_fact, expected_load.
-- Parameter: shift_date.
with dirt as (
    select f.machine_id, count(*) as n, count(e.load_id) as measured, avg(e.observed_pct) as observed_pct,
        avg(e.expected_pct) as expected_pct
    from load_fact as f
    left join expected_load as e using (load_id)
    where f.shift_date = $shift_date
    group by f.machine_id
)

select u.* exclude (fingerprint), i.dirt_after_pct as advised_dirt_pct, coalesce(d.n, 0) as n,
    coalesce(d.measured, 0) as measured, d.observed_pct, d.expected_pct
from advice_uptake as u
left join advice_issued as i
    on i.issued_at = u.issued_at and i.machine_id = u.machine_id and i.shift_date = u.shift_date
    and i.setting = u.setting and i.verdict = 'move'
left join dirt as d on d.machine_id = u.machine_id
where u.shift_date = $shift_date and not u.is_withheld
order by natural_order(u.machine_id), u.move_number, u.setting
