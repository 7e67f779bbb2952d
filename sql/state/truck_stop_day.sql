-- A row is a UTC day of which the stops of trucks are known. Key: day. The fingerprint covers positions, bins and sites.
create table if not exists truck_stop_day (
    day varchar not null,
    fingerprint varchar not null
);
