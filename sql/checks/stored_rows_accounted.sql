-- A row is a file and kind whose number of stored rows is not between accepted and accepted + repeated rows.
-- Reads source_file and every received table except telemetry, which is on the lake.
with stored as (
    select source_sha256, 'field' as kind from received_field
    union all select source_sha256, 'field_boundary' as kind from received_field_boundary
    union all select source_sha256, 'forecast_hour' as kind from received_forecast_hour
    union all select source_sha256, 'load' as kind from received_load
    union all select source_sha256, 'loss_audit' as kind from received_loss_audit
    union all select source_sha256, 'machine_setup' as kind from received_machine_setup
    union all select source_sha256, 'root_check' as kind from received_root_check
    union all select source_sha256, 'tare' as kind from received_tare
    union all select source_sha256, 'weather_day' as kind from received_weather_day
    union all select source_sha256, 'weather_hour' as kind from received_weather_hour
    union all select source_sha256, 'weather_reading' as kind from received_weather_reading
),
counted as (
    select source_sha256, kind, count(*) as stored_rows from stored group by source_sha256, kind
),
source as (
    select source_sha256, kind, min(file) as file, sum(rows_accepted) as rows_accepted, sum(rows_repeated) as rows_repeated
    from source_file
    where kind <> 'telemetry'
    group by source_sha256, kind
)
select s.file, kind, s.rows_accepted, s.rows_repeated, coalesce(c.stored_rows, 0) as stored_rows
from source as s
full join counted as c using (source_sha256, kind)
where s.file is null or coalesce(c.stored_rows, 0) not between s.rows_accepted and s.rows_accepted + s.rows_repeated
