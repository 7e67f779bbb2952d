-- A row is a file and mapping that violate rows in = accepted + rejected + repeated. Reads source_file, rejected_row.
with kept as (
    select source_sha256, mapping, count(*) as rejected_kept from rejected_row group by source_sha256, mapping
)
select coalesce(s.file, k.source_sha256) as file, coalesce(s.mapping, k.mapping) as mapping, s.rows_in, s.rows_accepted,
    s.rows_rejected, s.rows_repeated, coalesce(k.rejected_kept, 0) as rejected_kept
from source_file as s
full join kept as k on k.source_sha256 = s.source_sha256 and k.mapping is not distinct from s.mapping
where s.file is null
    or s.rows_in <> s.rows_accepted + s.rows_rejected + s.rows_repeated
    or s.rows_rejected <> coalesce(k.rejected_kept, 0)
