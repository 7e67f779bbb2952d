-- A row is a setting of a clock that is corrected for: minutes it is ahead, with its 95 % interval.
-- Key: subject_kind, subject_id, from_date. Reads clock_offset.
select subject_kind, subject_id, from_date, offset_min, lo95, hi95
from clock_offset
where corrected
order by subject_kind, subject_id, from_date
