-- A row is a field that a machine worked in on a day. Key: machine, day, field_id. Reads field_day.
select machine, cast(day as date) as day, field_id from field_day order by machine, day, field_id
