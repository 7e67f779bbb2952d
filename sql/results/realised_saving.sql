-- A row is a group of machine-shifts: made and not_made, those that made their moves and those that did not; randomised,
-- those shown their moves against those whose moves were withheld by lot. It has the saving of soil per tonne
-- of clean beet that making them was predicted to have and had (would have had), with its interval. verdict_code:
-- as_promised, not_as_promised, more_than_promised or too_few. Key: group_code. Written by uptake.
create table if not exists realised_saving (
    group_code varchar not null,
    moves bigint not null,
    moves_made bigint not null,
    shifts bigint not null,
    machines bigint not null,
    promised_per_t double,
    realised_per_t double,
    lo95 double,
    hi95 double,
    verdict_code varchar not null
);
