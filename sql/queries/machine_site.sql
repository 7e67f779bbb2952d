-- A row is a machine with the factories that received the loads of its last shift. Key: machine_id. Reads load_fact.
select machine_id, string_agg(distinct site_id, '|' order by natural_order(site_id)) as sites
from (
    select machine_id, site_id, shift_date, max(shift_date) over (partition by machine_id) as last_date
    from load_fact
    where machine_id is not null and site_id is not null
)
where shift_date = last_date
group by machine_id
order by natural_order(machine_id)
