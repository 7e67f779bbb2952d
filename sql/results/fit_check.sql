-- A row is one check of a fit; passed is null where it could not be made; last_shift_date is the last shift of the fit
-- that was checked; says_template and says_args (JSON of kind and text) are the parts that says is made of, null in rows
-- without them. Key: response, check. Written by the model.
create table if not exists fit_check (
    response varchar not null,
    "check" varchar not null,
    value double,
    bound double,
    passed boolean,
    says varchar not null,
    last_shift_date date,
    says_template varchar,
    says_args varchar
);
