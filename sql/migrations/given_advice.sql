-- Advice from when a run replaced that of earlier runs for its shift: each row was in force, and its fit is not known.
alter table if exists given_advice rename column given_at to issued_at;
alter table if exists given_advice add column if not exists had_loads boolean default false;
alter table if exists given_advice rename to advice_issued;
