-- A row is a stop of a truck on a UTC day: beside a machine in a field, or at a site, with the shortest distance.
-- Times beside a machine are by its own clock, which is ahead of the truck's by machine_ahead_min.
-- Key: truck_id, machine_id, site_id, arrived_at. Written before tracing, from truck_position and the bins.
create table if not exists truck_stop (
    day varchar not null,
    truck_id varchar not null,
    machine_id varchar,
    field_id varchar,
    site_id varchar,
    arrived_at timestamptz not null,
    left_at timestamptz not null,
    distance_m double not null,
    machine_ahead_min double not null
);
