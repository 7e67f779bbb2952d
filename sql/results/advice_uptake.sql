-- A row is a move that was in force for a shift that has been worked, and what the machine did with it.
-- uptake_code: followed, partly, not, opposite or unknown; reason_code: why unknown (no_log, no_reading, other_field,
-- other_conditions). is_withheld: nobody saw the move, by lot. made_share: share of the advised step made on average over the time judged; first_at: start of the
-- first lasting stretch with a quarter of the step or more; step_share: median share of the step in such time;
-- time_share: such time per time judged; fingerprint: of all the row was made from.
-- Key: machine_id, shift_date, setting. Written by uptake.
create table if not exists advice_uptake (
    machine_id varchar not null,
    shift_date date not null,
    setting varchar not null,
    unit varchar,
    move_number bigint,
    operator_id varchar,
    field_id varchar,
    issued_at timestamptz not null,
    is_withheld boolean not null,
    from_value double not null,
    to_value double not null,
    uptake_code varchar not null,
    reason_code varchar,
    made_share double,
    first_at timestamptz,
    step_share double,
    time_share double,
    judged_s double not null,
    fingerprint varchar not null
);
