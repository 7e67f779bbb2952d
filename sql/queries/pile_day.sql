-- A row is a current or past pile: site and shift, tonnes without soil and expected sugar loss.
-- Key: site_id, shift_date. Reads pile_ledger.
select site_id, shift_date, lies, age_days, loads, soil_free_t, dirt_tare_pct, root_temp_c, loss_kg_per_t, sugar_loss_t,
    slice_order
from pile_ledger
order by shift_date, site_id
