-- A row is a tank emptied, what showed it, and how much the machine said it was. Key: machine_id, started_at. Written by trace.
create table if not exists unload_event (
    machine varchar not null,
    day varchar not null,
    machine_id varchar not null,
    started_at timestamptz not null,
    ended_at timestamptz not null,
    found_by varchar not null,
    unloaded_t double
);
