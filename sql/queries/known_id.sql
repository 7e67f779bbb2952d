-- A row is an id that the workspace has, at most 5,000 per column: the command map recognizes keys of other tables by them.
-- Key: column_name, id. Reads received_field, received_load, received_machine_setup, received_weather_day,
-- received_weather_hour, machine_day.
with known as (
    select 'load_id' as column_name, load_id as id from received_load
    union
    select 'field_id' as column_name, field_id as id from received_field
    union
    select 'field_id' as column_name, field_id as id from received_load
    union
    select 'machine_id' as column_name, machine_id as id from received_machine_setup
    union
    select 'machine_id' as column_name, machine_id as id from machine_day
    union
    select 'truck_id' as column_name, truck_id as id from received_load
    union
    select 'site_id' as column_name, site_id as id from received_load
    union
    select 'grower_id' as column_name, grower_id as id from received_field
    union
    select 'station_id' as column_name, station_id as id from received_field
    union
    select 'station_id' as column_name, station_id as id from received_weather_hour
    union
    select 'station_id' as column_name, station_id as id from received_weather_day
)
select column_name, id
from known
where id is not null
qualify row_number() over (partition by column_name order by id desc) <= 5000
order by column_name, id
