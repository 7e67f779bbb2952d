-- Files from before their header and date were stored: no header, dated by their arrival.
alter table if exists source_file add column if not exists header varchar default '';
alter table if exists source_file add column if not exists file_at timestamptz;
update source_file set file_at = received_at where file_at is null;
-- Files from when one mapping read a file: the only one that counted.
alter table if exists source_file add column if not exists mapping_fingerprint varchar;
alter table if exists source_file add column if not exists matched_fingerprint varchar;
update source_file set matched_fingerprint = mapping_fingerprint where matched_fingerprint is null;
alter table if exists source_file add column if not exists mapping varchar;
alter table if exists rejected_row add column if not exists mapping varchar;
update rejected_row set mapping = s.mapping from source_file as s
where s.source_sha256 = rejected_row.source_sha256 and rejected_row.mapping is null;
