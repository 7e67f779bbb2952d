-- A row is the slope or the intercept of the saving measured on the saving promised before, over all moves, or the slope of
-- one setting (part: setting_slope). verdict_code of a slope: unreliable if its interval lies below one half, else reliable.
-- Key: part, setting. Written by uptake.
create table if not exists advice_calibration (
    part varchar not null,
    setting varchar,
    value double not null,
    lo95 double not null,
    hi95 double not null,
    verdict_code varchar not null,
    n bigint not null
);
