-- A row is a load with its lab result that counts: the newest revision of its latest sample that was not cancelled.
-- Key: load_id. Reads received_tare, source_file.
create or replace view load_tare as
select * exclude (source_sha256, line, part, file_at, cancelled)
from (
    select r.*, s.file_at
    from received_tare as r join source_file as s using (source_sha256)
    qualify row_number() over (
        partition by sample_id order by revision desc, issued_at desc nulls last, file_at desc, source_sha256, part, line
    ) = 1
)
where not cancelled
qualify row_number() over (partition by load_id order by sample_id desc) = 1
order by load_id;
