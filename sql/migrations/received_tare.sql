-- Lab results from before cancellations existed: not cancelled.
alter table if exists received_tare add column if not exists cancelled boolean default false;
-- Lab results from before reasons of sampling existed: not known.
alter table if exists received_tare add column if not exists sampling_reason varchar;
-- Lab results from before mean roots existed: not known.
alter table if exists received_tare add column if not exists root_mass_kg double;
