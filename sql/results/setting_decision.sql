-- A row is a lasting change of a setting in the last shift: when, from what to what, in what topsoil.
-- Key: machine_id, decided_at, setting. Written by working.
create table if not exists setting_decision (
    machine_id varchar not null,
    decided_at timestamptz not null,
    field_id varchar,
    setting varchar not null,
    unit varchar not null,
    from_value double not null,
    to_value double not null,
    steps double not null,
    topsoil_wetness double
);
