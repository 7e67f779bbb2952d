-- Trial results from before reasons were codes: their sentences are shown as they were written.
alter table trial_result add column if not exists says varchar;
alter table trial_result add column if not exists reason_code varchar;
alter table trial_result add column if not exists reason_args varchar;
update trial_result set reason_code = 'earlier_text', reason_args = json_object('text', says)
where reason_code is null and says is not null;
alter table trial_result drop column says;
