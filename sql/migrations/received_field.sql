-- Field lists from before plants per area existed: not known.
alter table if exists received_field add column if not exists stand_plants_per_ha double;
