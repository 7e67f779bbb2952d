-- A row is one source of a load's departure from the typical load, in percentage points of dirt tare; a load's rows add up.
-- Key: load_id, source. Written by the model.
create table if not exists load_why (
    load_id varchar not null,
    source varchar not null,
    kind varchar not null,
    points double not null
);
