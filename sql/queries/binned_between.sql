-- A row is a machine-day with bins, within a range of UTC days.
-- Key: machine, day. Reads binned_day. Parameters: first, last.
select machine, day
from binned_day
where day between $first and $last
order by machine, day
