-- A row is a part of what the season's dirt and losses cost: soil hauled, roots left or broken, sugar lost in piles.
-- Intervals take visits for clusters, null with fewer than two. Key: part. Written by advice.
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
