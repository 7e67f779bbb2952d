-- A row is a root check with its outcomes: topping, broken tips, damage, and the roots that each was judged on; null if
-- it was not recorded. Key: check_id. Written by trace.
create table if not exists root_check_outcome (
    check_id varchar not null,
    topping_checked_count double,
    under_topped_count double,
    over_topped_count double,
    slanting_count double,
    tip_checked_count double,
    tip_broken_count double,
    tip_loss_pct double,
    damage_checked_count double,
    damaged_count double,
    severely_damaged_count double,
    damaged_area_cm2_per_100_roots double,
    scalp_diameter_cm double,
    petiole_length_cm double,
    root_mass_kg double
);
