-- A row is a setting and class of wetness whose effect on dirt is open, with the reason and the split-run trial that would
-- settle it; pairs is null if more than 200 are needed; machine_days are whole days of the machine, as `trial plan` shows
-- them; worth: value of the answer for the season less the cost of the trial, in the season's currency, null if unknown.
-- Key: setting, wetness_class. Written by trial.
create table if not exists trial_wanted (
    setting varchar not null,
    wetness_class varchar not null,
    reason_code varchar not null,
    reason_args varchar not null,
    change_pct double,
    lo95 double,
    hi95 double,
    n bigint not null,
    step double not null,
    unit varchar not null,
    machine_id varchar not null,
    detect_pct double not null,
    pairs bigint,
    machine_days double,
    worth double
);
