-- A row is a time offset of a machine or weighbridge that tracing corrects: its cause code and its minutes ahead or
-- late.
-- Key: subject_kind, subject_id, from_date. Reads clock_offset.
select subject_kind, subject_id, from_date, to_date, coalesce(cause_code, case subject_kind when 'site' then 'queue_or_clock' else 'haul_or_clock' end) as cause_code,
    offset_min, lo95, hi95
from clock_offset
where corrected
order by cause_code, subject_kind, natural_order(subject_id), from_date
