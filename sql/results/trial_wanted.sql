-- A row is a setting and class of wetness whose effect on dirt is open, with the reason and the split-run trial that would
-- settle it; pairs is null if more than 200 are needed; machine_days are whole days of the machine, as `trial plan` shows
-- them; worth: value of the answer for the season less the cost of the trial, in the season's currency, null if unknown.
-- Of fitted parts, setting is the column of the machine list, part the one to try instead of part_now, wetness_class null for
-- all days, pairs are pairs of machine-days by lot, machine_id the machines that share them, joined by ", ", machine_days the days of
-- each, and workshop_cost the expected cost of the changes. Key: setting, part_now, part, wetness_class. Written by trial.
create table if not exists trial_wanted (
    setting varchar not null,
    part_now varchar,
    part varchar,
    wetness_class varchar,
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
    workshop_cost double,
    worth double
);
