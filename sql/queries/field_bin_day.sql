-- A row is a machine-day with bins in one field. Key: machine, day. Reads field_day. Parameter: field_id.
select machine, day
from field_day
where field_id = $field_id
order by machine, day
