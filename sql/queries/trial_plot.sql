-- A row is a dig-behind plot with the load that most of the mass lifted within two minutes of it went to, by the trace.
-- The time of the plot is converted to the machine's own clock. Key: audit_id. Reads audit_fact, clock_offset, load_trace.
with passed as (
    select a.audit_id, a.machine_id, a.audited_at + to_seconds(60 * coalesce(c.offset_min, 0)) as passed_at
    from audit_fact as a
    left join clock_offset as c
        on c.corrected and c.subject_kind = 'machine' and c.subject_id = a.machine_id and c.from_date <= cast(a.audited_at as date)
    qualify row_number() over (partition by a.audit_id order by c.from_date desc nulls last) = 1
)
select p.audit_id, t.load_id
from passed as p
join load_trace as t
    on t.machine_id = p.machine_id and t.bin_at between p.passed_at - interval 2 minute and p.passed_at + interval 2 minute
group by p.audit_id, t.load_id
qualify row_number() over (partition by p.audit_id order by sum(t.share) desc, t.load_id) = 1
order by p.audit_id
