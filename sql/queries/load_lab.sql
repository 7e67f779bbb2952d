-- A row is a lab result of one load as received, with file and line; the valid sample comes first (as in load_tare).
-- Key: file, part, line.
-- Reads received_tare, arrived_file. Parameter: load_id.
select s.file, r.part, r.line, s.file_at, r.sample_id, r.revision, r.issued_at, r.cancelled, r.dirt_tare_pct, r.top_tare_pct,
    r.sample_kg
from received_tare as r join arrived_file as s using (source_sha256)
where r.load_id = $load_id
order by min(coalesce(r.issued_at, s.file_at)) over (partition by r.sample_id) desc, natural_order(r.sample_id) desc, r.revision desc,
    r.issued_at desc nulls last, s.file_at desc, source_sha256, r.part, r.line
