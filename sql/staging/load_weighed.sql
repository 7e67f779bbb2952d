-- A row is a load's weighing: the time printed on its ticket, minutes that the weighbridge's clock is certainly ahead, and the
-- time by the corrected clock. A queue moves no time. Key: load_id. Reads load, clock_offset.
create or replace view load_weighed as
select l.load_id, l.weighed_at, coalesce(c.offset_min, 0) as site_ahead_min,
    l.weighed_at - to_microseconds(round(coalesce(c.offset_min, 0) * 60000000)::bigint) as weighed_true_at
from "load" as l
left join clock_offset as c on c.subject_kind = 'site' and c.subject_id = l.site_id and c.cause_code = 'clock'
    and cast(l.weighed_at as date) between c.from_date and c.to_date
qualify row_number() over (partition by l.load_id order by c.from_date desc) = 1;
