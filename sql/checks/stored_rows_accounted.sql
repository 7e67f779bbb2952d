-- A row is a file whose number of stored rows is not between accepted and accepted + repeated rows.
-- Reads source_file and every received table except telemetry, which is on the lake.
with stored as (
    select source_sha256 from received_field
    union all select source_sha256 from received_field_boundary
    union all select source_sha256 from received_forecast_hour
    union all select source_sha256 from received_load
    union all select source_sha256 from received_loss_audit
    union all select source_sha256 from received_machine_setup
    union all select source_sha256 from received_root_check
    union all select source_sha256 from received_tare
    union all select source_sha256 from received_weather_day
    union all select source_sha256 from received_weather_hour
    union all select source_sha256 from received_weather_reading
),
counted as (
    select source_sha256, count(*) as stored_rows from stored group by source_sha256
)
select s.file, s.rows_accepted, s.rows_repeated, coalesce(c.stored_rows, 0) as stored_rows
from source_file as s
full join counted as c using (source_sha256)
where s.file is null
    or (
        s.kind <> 'telemetry'
        and coalesce(c.stored_rows, 0) not between s.rows_accepted and s.rows_accepted + s.rows_repeated
    )
