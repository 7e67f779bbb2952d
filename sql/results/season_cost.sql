-- A row is a part of what the season's dirt, losses and topping cost: soil, roots (left or broken), tops (leaf and crown
-- delivered), over_topped (beet cut off too deep), pile (sugar lost). A part that is not measured has no row. Intervals
-- take visits for clusters, null with fewer than two. Key: part. Written by advice.
create table if not exists season_cost (
    part varchar not null,
    mass_t double not null,
    mass_lo95 double,
    mass_hi95 double,
    money double not null,
    money_lo95 double,
    money_hi95 double,
    n bigint not null
);
