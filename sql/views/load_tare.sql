-- A row is a load with its lab result that counts: the newest revision of its latest sample. Key: load_id. Reads received_tare.
create or replace view load_tare as
select * exclude (source_sha256, line, received_at)
from received_tare
qualify row_number() over (partition by load_id order by sample_id desc, revision desc, received_at desc) = 1
order by load_id;
