-- A row is one setting of a machine's or a weighbridge's clock: minutes it is ahead, with 95 % interval, from the first to the last day it was seen so.
-- Key: subject_kind, subject_id, from_date. A site is compared with the median site. Written by trace.
-- `corrected`: the tracing allows for it. `cause_code`, only then: clock (loads would arrive before a truck can), queue_or_clock (a site),
-- haul_or_clock (a machine): the two cannot be distinguished.
create table if not exists clock_offset (
    subject_kind varchar not null,
    subject_id varchar not null,
    from_date date not null,
    to_date date not null,
    offset_min double not null,
    lo95 double not null,
    hi95 double not null,
    n bigint not null,
    corrected boolean not null,
    cause_code varchar
);
