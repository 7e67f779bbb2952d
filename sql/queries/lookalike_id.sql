-- A row is a group of ids of one kind that look alike: they differ only in letter case, spaces, invisible marks, the
-- encoding of accents, or the width of letters, and are probably spellings of the same id.
-- Key: kind, looks_like. Reads machine_day, received_field, received_field_boundary, received_forecast_hour,
-- received_load, received_loss_audit, received_machine_setup, received_root_check, received_tare,
-- received_weather_day, received_weather_hour, received_weather_reading.
with named as (
    select 'machine' as kind, machine_id as id from received_load
    union
    select 'machine' as kind, machine_id as id from received_loss_audit
    union
    select 'machine' as kind, machine_id as id from received_machine_setup
    union
    select 'machine' as kind, machine_id as id from received_root_check
    union
    select 'machine' as kind, machine_id as id from machine_day
    union
    select 'field' as kind, field_id as id from received_field
    union
    select 'field' as kind, field_id as id from received_field_boundary
    union
    select 'field' as kind, field_id as id from received_load
    union
    select 'field' as kind, field_id as id from received_loss_audit
    union
    select 'field' as kind, field_id as id from received_root_check
    union
    select 'load' as kind, load_id as id from received_load
    union
    select 'load' as kind, load_id as id from received_root_check
    union
    select 'load' as kind, load_id as id from received_tare
    union
    select 'sample' as kind, sample_id as id from received_tare
    union
    select 'audit' as kind, audit_id as id from received_loss_audit
    union
    select 'check' as kind, check_id as id from received_root_check
    union
    select 'site' as kind, site_id as id from received_load
    union
    select 'station' as kind, station_id as id from received_field
    union
    select 'station' as kind, station_id as id from received_weather_hour
    union
    select 'station' as kind, station_id as id from received_weather_day
    union
    select 'station' as kind, station_id as id from received_forecast_hour
    union
    select 'station' as kind, station_id as id from received_weather_reading
    union
    select 'grower' as kind, grower_id as id from received_field
    union
    select 'operator' as kind, operator_id as id from received_machine_setup
),
plain as (
    select
        kind,
        id,
        lower(nfc_normalize(regexp_replace(
            translate(id, '！＂＃＄％＆＇（）＊＋，－．／０１２３４５６７８９：；＜＝＞？＠ＡＢＣＤＥＦＧＨＩＪＫＬＭＮＯＰＱＲＳＴＵＶＷＸＹＺ［＼］＾＿｀ａｂｃｄｅｆｇｈｉｊｋｌｍｎｏｐｑｒｓｔｕｖｗｘｙｚ｛｜｝～', '!"#$%&''()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\]^_`abcdefghijklmnopqrstuvwxyz{|}~'),
            '[\s\p{Z}\p{Cf}]', '', 'g'
        ))) as looks_like
    from named
    where id is not null
)
select kind, looks_like, count(*) as ids, string_agg('''' || id || '''', ', ' order by id) as written
from plain
group by kind, looks_like
having count(*) > 1
order by kind, looks_like
limit 200
