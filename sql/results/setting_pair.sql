-- A row is a pair of settings that the catalogue declares: by how many percentage points the effect of a step of one changes
-- with a step of the other. Key: response, setting, other_setting. Written by the model.
create table if not exists setting_pair (
    response varchar not null,
    setting varchar not null,
    other_setting varchar not null,
    change_pct double,
    lo95 double,
    hi95 double,
    p_value double,
    q_value double,
    n bigint not null,
    reason_code varchar not null,
    reason_args varchar not null
);
