-- A row is a load with its lab result that counts: the newest revision of its latest sample that was not cancelled, and the sugar that
-- a factory can extract. The latest sample was issued (or its file made) last for the first time; numbers in ids decide ties by value.
-- `recoverable_sugar_pct`: % on beet, new Braunschweig formula, Pol - 0.12 (K + Na) - 0.24 aN - 1.08 with mmol per 100 g (Buchholz,
-- Maerlaender, Puke, Glattkowski, Thielecke 1995, Zuckerindustrie 120:113-121). Key: load_id. Reads received_tare, arrived_file.
create or replace view load_tare as
select * exclude (source_sha256, line, part, file_at, cancelled, first_at),
    sugar_pct - 0.12 * (potassium_mmol_per_kg + sodium_mmol_per_kg) / 10 - 0.24 * amino_n_mmol_per_kg / 10 - 1.08 as recoverable_sugar_pct
from (
    select r.*, s.file_at, min(coalesce(r.issued_at, s.file_at)) over (partition by r.sample_id) as first_at
    from received_tare as r join arrived_file as s using (source_sha256)
    qualify row_number() over (
        partition by sample_id order by revision desc, issued_at desc nulls last, file_at desc, source_sha256, part, line
    ) = 1
)
where not cancelled
qualify row_number() over (
    partition by load_id order by first_at desc,
        regexp_replace(regexp_replace(sample_id, '(\d+)', '00000000000000000000\1', 'g'), '\d*(\d{20})', '\1', 'g') desc, sample_id desc
) = 1
order by load_id;
