-- A row is a load's trace grade: the part of its mass expected to be where it is said to be, that part before calibration, the chance of its likeliest machine, and the reasons (code and arguments, JSON) why it is not better.
-- Key: load_id. Written by trace.
create table if not exists load_trace_grade (
    load_id varchar not null,
    field_id varchar not null,
    kind_code varchar not null,
    trace_quality double not null,
    claimed_quality double not null,
    traced_share double not null,
    machine_chance double not null,
    reason_code varchar not null,
    reason_args varchar not null
);
