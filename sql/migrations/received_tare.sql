-- Lab results before they could be cancelled: standing.
alter table if exists received_tare add column if not exists cancelled boolean default false;
