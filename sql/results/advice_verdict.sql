-- A row is a verdict of the advice in force for shifts that have been worked, with the number of machines and shifts.
-- reason_code: why a machine was left as it is; null for other verdicts. Key: verdict, reason_code. Written by uptake.
create table if not exists advice_verdict (
    verdict varchar not null,
    reason_code varchar,
    machine_shifts bigint not null
);
