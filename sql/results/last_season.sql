-- A row is how much the fit of a response uses last season's effects of one setting: 1 is wholly, 0 is not at all.
-- Key: response, setting. Written by the model if season.toml names last season.
create table if not exists last_season (
    response varchar not null,
    setting varchar not null,
    last_season_weight double not null,
    reason_code varchar not null,
    reason_args varchar not null
);
