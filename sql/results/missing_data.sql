-- A row is a source that tickets lack (machine_id, truck_id), with the share of loads that the fit could use now and with it: in the
-- fields traced again (used_*, with the mean trace quality), over the loads whose tickets lack it, and of all loads of the season. inputs: fingerprint of the tracing.
-- Key: source_code. Written by the nightly refit.
create table if not exists missing_data (
    source_code varchar not null,
    fields bigint not null,
    n bigint not null,
    used_now_pct double not null,
    used_with_pct double not null,
    quality_now double not null,
    quality_with double not null,
    lacking_loads bigint not null,
    season_loads bigint not null,
    season_now_pct double not null,
    season_with_pct double not null,
    inputs varchar not null
);
