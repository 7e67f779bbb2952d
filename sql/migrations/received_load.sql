-- Weigh tickets from before revisions and cancellations existed: first revision, not cancelled.
alter table if exists received_load add column if not exists revision bigint default 0;
alter table if exists received_load add column if not exists cancelled boolean default false;
