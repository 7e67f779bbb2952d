-- A row is one machine in one stretch of work in one field: mass weighed against mass lifted. Machine is null for loads from heaps.
-- Key: machine_id, field_id, shift_date (one row a stretch). Written by trace.
create table if not exists mass_balance (
    machine_id varchar,
    field_id varchar not null,
    shift_date date not null,
    weighed_t double not null,
    lifted_t double not null,
    closure double
);
