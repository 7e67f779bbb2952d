-- Lab results from before cancellations existed: not cancelled.
alter table if exists received_tare add column if not exists cancelled boolean default false;
