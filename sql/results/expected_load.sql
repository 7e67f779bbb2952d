-- A row is a load with what its conditions lead one to expect. Key: load_id. Written by the model.
create table if not exists expected_load (
    load_id varchar not null,
    observed_pct double not null,
    expected_pct double not null,
    lo95 double not null,
    hi95 double not null
);
