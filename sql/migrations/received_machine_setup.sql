-- Machine lists from before parts of single stages existed: not known.
alter table if exists received_machine_setup add column if not exists cleaner_1_elements varchar;
alter table if exists received_machine_setup add column if not exists cleaner_2_elements varchar;
alter table if exists received_machine_setup add column if not exists cleaner_3_elements varchar;
alter table if exists received_machine_setup add column if not exists cleaner_4_elements varchar;
