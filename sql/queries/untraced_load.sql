-- A row is a field of one shift with loads that could not be traced to the minutes that filled them: their number.
-- Key: field_id. Reads load_fact. Parameters: shift_date, quality (lowest trace quality that counts as traced).
select field_id, count(*) as loads
from load_fact
where shift_date = $shift_date and (machine_id is null or coalesce(trace_quality, 0) < $quality)
group by field_id
order by loads desc, natural_order(field_id)
