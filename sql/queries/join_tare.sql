-- A row is a sample of the lab that counts, with the newest file that delivered it. Key: sample_id.
-- Reads tare, received_tare, source_file.
with delivered as (
    select r.sample_id, arg_max(s.mapping, s.file_at) as mapping, arg_max(s.file, s.file_at) as file, max(s.file_at) as file_at
    from received_tare as r
    inner join source_file as s using (source_sha256)
    where s.kind = 'tare'
    group by r.sample_id
),
newest as (
    select sample_id, load_id, issued_at, cancelled from tare
    qualify row_number() over (partition by sample_id order by revision desc) = 1
)
select n.sample_id, n.load_id, n.issued_at, coalesce(d.mapping, '') as mapping, d.file, d.file_at
from newest as n
inner join delivered as d using (sample_id)
where not n.cancelled and n.load_id is not null
order by n.sample_id
