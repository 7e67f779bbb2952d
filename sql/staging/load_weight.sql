-- A row is a load with its weights. `clean_t` is that of the ticket; if the ticket has none, the delivered weight less the lab's total
-- tare, dirt and tops, and null if either is not known. A clean weight never yields a delivered one. Key: load_id. Reads load, load_tare.
create or replace view load_weight as
select l.load_id, l.truck_full_t, l.truck_empty_t, l.delivered_t,
    coalesce(l.clean_t, round(l.delivered_t * (1 - (t.dirt_tare_pct + t.top_tare_pct) / 100), 6)) as clean_t
from "load" as l
left join load_tare as t using (load_id)
order by l.load_id;
