-- A row is one machine on one day in one field: mass weighed against mass lifted. Key: machine_id, field_id, shift_date.
create table if not exists mass_balance (
    machine_id varchar,
    field_id varchar not null,
    shift_date date not null,
    weighed_t double not null,
    lifted_t double not null,
    closure double
);
