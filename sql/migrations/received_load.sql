-- Weigh tickets before they had revisions and could be cancelled: the first, and standing.
alter table if exists received_load add column if not exists revision bigint default 0;
alter table if exists received_load add column if not exists cancelled boolean default false;
