-- A row is a machine's last stored position: in one shift, or in all stored passes if shift_date is null. Passes are
-- stored for the latest shift, thinned evenly, so the position may be some minutes older than the machine's last one.
-- Key: machine_id. Reads shift_pass. Parameters: shift_date, zone, shift_starts.
select machine_id, bin_at, field_id, lat_deg, lon_deg
from shift_pass
where
    machine_id is not null and isfinite(lat_deg) and isfinite(lon_deg)
    and (
        $shift_date::date is null
        or cast((bin_at at time zone $zone) - $shift_starts::interval as date) = $shift_date::date
    )
qualify row_number() over (partition by machine_id order by bin_at desc, lat_deg, lon_deg) = 1
order by natural_order(machine_id), machine_id
