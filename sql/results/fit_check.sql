-- A row is one check of a fit, with its result as the reason; passed is null if the check is not possible;
-- last_shift_date is the last shift of the fit that was checked. Key: response, check. Written by the model.
create table if not exists fit_check (
    response varchar not null,
    "check" varchar not null,
    value double,
    bound double,
    passed boolean,
    reason_code varchar not null,
    reason_args varchar not null,
    last_shift_date date
);
