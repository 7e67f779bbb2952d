-- A row is a load with the dirt tare expected for its conditions and field (expected_pct with its interval) and for its
-- conditions alone (conditions_pct), by which fields are compared. Key: load_id. Written by the model.
create table if not exists expected_load (
    load_id varchar not null,
    observed_pct double not null,
    expected_pct double not null,
    lo95 double not null,
    hi95 double not null,
    conditions_pct double not null
);
