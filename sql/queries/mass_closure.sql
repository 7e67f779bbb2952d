-- A row is a field, a machine or a day: mass weighed and mass lifted there, with their difference.
-- Key: kind, subject. Piles count for their field, not for a machine. Reads mass_balance.
with summed as (
    select
        case when grouping(field_id) = 0 then 'field' when grouping(shift_date) = 0 then 'day' else 'machine' end as kind,
        coalesce(field_id, cast(shift_date as varchar), machine_id) as subject,
        sum(weighed_t) as weighed_t,
        sum(lifted_t) as lifted_t
    from mass_balance
    group by grouping sets ((field_id), (machine_id), (shift_date))
),
usual as (
    select kind, median(weighed_t / lifted_t) as closure from summed where lifted_t > 0 and weighed_t > 0 and subject is not null group by kind
)
select
    kind, subject, weighed_t, lifted_t,
    weighed_t / nullif(lifted_t, 0) as closure,
    weighed_t - lifted_t * usual.closure as out_t
from summed
inner join usual using (kind)
where subject is not null
order by kind, abs(weighed_t - lifted_t * usual.closure) desc, subject
