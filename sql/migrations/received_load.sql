-- Weigh tickets from before revisions and cancellations existed: first revision, not cancelled.
alter table if exists received_load add column if not exists revision bigint default 0;
alter table if exists received_load add column if not exists cancelled boolean default false;
-- Weights from before a ticket could have the weights of the truck: gross_t was the load with its soil, net_t the load without.
alter table if exists received_load add column if not exists gross_t double;
alter table if exists received_load add column if not exists net_t double;
alter table if exists received_load add column if not exists delivered_t double;
alter table if exists received_load add column if not exists clean_t double;
update received_load set delivered_t = coalesce(delivered_t, gross_t), clean_t = coalesce(clean_t, net_t);
alter table if exists received_load drop column gross_t;
alter table if exists received_load drop column net_t;
