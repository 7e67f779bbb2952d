-- A row is a UTC day with positions of trucks, with a fingerprint of its positions and bins, and the number of positions.
-- Key: day. Reads received_truck_position, binned_day.
with position as (
    select cast(logged_at as date)::varchar as day, count(*) as positions,
        bit_xor(hash(truck_id, logged_at, lat_deg, lon_deg, source_sha256)) as content
    from received_truck_position
    group by all
),
bin as (
    select day, string_agg(machine || ':' || fingerprint, '|' order by machine) as content from binned_day group by day
)
select p.day, p.positions, concat_ws('|', p.positions, p.content, b.content) as fingerprint
from position as p
left join bin as b using (day)
order by p.day
