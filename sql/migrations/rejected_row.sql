-- Rejected rows stored as an English sentence: the sentence becomes the argument of the reason earlier_text.
alter table if exists rejected_row add column if not exists says varchar;
alter table if exists rejected_row add column if not exists reason_code varchar;
alter table if exists rejected_row add column if not exists reason_args varchar;
update rejected_row set reason_code = 'earlier_text', reason_args = json_object('text', says) where reason_code is null;
alter table if exists rejected_row drop column if exists says;
