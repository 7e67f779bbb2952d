-- Files from before their header and date were stored: no header, dated by their arrival.
alter table if exists source_file add column if not exists header varchar default '';
alter table if exists source_file add column if not exists file_at timestamptz;
update source_file set file_at = received_at where file_at is null;
