-- A row is a machine in a shift with moves advised for a field of a grower: the moves by what the machine did with them,
-- and made_share, the mean share made of those known. The field is the grower's if all its loads are.
-- Key: grower_id, machine_id, shift_date. Reads advice_uptake, load_fact.
with own_field as (
    select field_id, any_value(grower_id) as grower_id
    from load_fact
    group by field_id
    having count(distinct grower_id) = 1 and count(*) = count(grower_id)
)

select o.grower_id, u.machine_id, u.shift_date, u.field_id, count(*) as moves,
    count(*) filter (u.uptake_code = 'followed') as followed, count(*) filter (u.uptake_code = 'partly') as partly,
    count(*) filter (u.uptake_code = 'not') as not_made, count(*) filter (u.uptake_code = 'opposite') as opposite,
    count(*) filter (u.uptake_code = 'unknown') as unknown, avg(u.made_share) as made_share
from advice_uptake as u
inner join own_field as o using (field_id)
where not u.is_withheld
group by o.grower_id, u.machine_id, u.shift_date, u.field_id
order by o.grower_id, u.shift_date, u.machine_id, u.field_id
