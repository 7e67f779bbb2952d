-- A row is a weigh ticket that was not cancelled; of the weights of the full truck, the empty truck and the load with its soil, a third
-- that the ticket lacks is derived from the two others, to the gram. Key: load_id.
-- Reads received_load, source_file: of several deliveries the newest counts, whatever came first.
create or replace view "load" as
select * exclude (source_sha256, line, part, file_at, cancelled) replace (
    coalesce(truck_full_t, round(truck_empty_t + delivered_t, 6)) as truck_full_t,
    coalesce(truck_empty_t, round(truck_full_t - delivered_t, 6)) as truck_empty_t,
    coalesce(delivered_t, round(truck_full_t - truck_empty_t, 6)) as delivered_t
)
from (select r.*, s.file_at from received_load as r join source_file as s using (source_sha256))
qualify row_number() over (partition by load_id order by revision desc, issued_at desc nulls last, file_at desc, source_sha256, part, line) = 1
    and not cancelled
order by load_id;
