-- Trial results from before reasons were codes: their sentences are shown as they were written.
alter table trial_result add column if not exists says varchar;
alter table trial_result add column if not exists reason_code varchar;
alter table trial_result add column if not exists reason_args varchar;
update trial_result set reason_code = 'earlier_text', reason_args = json_object('text', says)
where reason_code is null and says is not null;
alter table trial_result drop column says;
-- Trial results from before all responses were read are of dirt, by planned arm.
alter table trial_result add column if not exists response varchar;
alter table trial_result add column if not exists reading_code varchar;
update trial_result set response = 'dirt_tare_pct' where response is null;
update trial_result set reading_code = 'planned' where reading_code is null;
