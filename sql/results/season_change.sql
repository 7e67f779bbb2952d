-- A row is a season against the one before: the change of a response and how much of it conditions, settings,
-- outlying loads (what they were Huberised by) and none of these explain. Key: response, season_start. Written by benchmark.
create table if not exists season_change (
    response varchar not null,
    season_start varchar not null,
    before varchar not null,
    observed_change double not null,
    from_conditions double not null,
    from_settings double not null,
    from_outliers double not null,
    unexplained double not null,
    lo95 double not null,
    hi95 double not null,
    n bigint not null
);
