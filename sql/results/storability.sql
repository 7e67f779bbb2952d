-- A row is a measured load: how long it keeps, what it is expected to lose in the pile, and why. Key: load_id.
-- Written by advice.
create table if not exists storability (
    load_id varchar not null,
    site_id varchar,
    shift_date date,
    root_temp_c double not null,
    dirt_tare_pct double not null,
    top_tare_pct double,
    soil_free_t double not null,
    damaged_pct double not null,
    loss_kg_per_t double not null,
    loss_now_kg_per_t_day double not null,
    pile_mean_c double not null,
    age_days bigint not null,
    planned_days double not null,
    storability varchar not null,
    reason_code varchar not null,
    reason_args varchar not null
);
