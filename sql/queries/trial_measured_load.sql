-- A row is a dig-behind plot, or a quality check from the tank without a ticket, with the load that most of the mass lifted around it
-- went to, by the trace: within two minutes of a plot, within seven and a half of the mean time at which the roots of a check were
-- lifted, because a tank is filled in about 15. Times are converted to the machine's own clock.
-- Key: facts, row_id. Reads audit_fact, root_check_fact, clock_offset, load_trace.
with measured as (
    select 'audit_fact' as facts, audit_id as row_id, machine_id, audited_at as measured_at, interval 120 second as reach
    from audit_fact
    union all
    select 'root_check_fact', check_id, machine_id, checked_at, interval 450 second
    from root_check_fact
    where load_id is null and coalesce(place, 'tank') = 'tank'
),
passed as (
    select m.facts, m.row_id, m.machine_id, m.reach, m.measured_at + to_seconds(60 * coalesce(c.offset_min, 0)) as passed_at
    from measured as m
    left join clock_offset as c
        on c.corrected and c.subject_kind = 'machine' and c.subject_id = m.machine_id and c.from_date <= cast(m.measured_at as date)
    qualify row_number() over (partition by m.facts, m.row_id order by c.from_date desc nulls last) = 1
)
select p.facts, p.row_id, t.load_id
from passed as p
join load_trace as t on t.machine_id = p.machine_id and t.bin_at between p.passed_at - p.reach and p.passed_at + p.reach
group by p.facts, p.row_id, t.load_id
qualify row_number() over (partition by p.facts, p.row_id order by sum(t.share) desc, t.load_id) = 1
order by p.facts, p.row_id
