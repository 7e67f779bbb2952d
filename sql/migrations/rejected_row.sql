-- Rejected rows stored as an English sentence: the sentence becomes the argument of the reason earlier_text.
alter table if exists rejected_row add column if not exists says varchar;
alter table if exists rejected_row add column if not exists reason_code varchar;
alter table if exists rejected_row add column if not exists reason_args varchar;
update rejected_row set reason_code = 'earlier_text', reason_args = json_object('text', says) where reason_code is null;
alter table if exists rejected_row drop column if exists says;
-- Weights of tickets were called gross_t and net_t; rejected rows name them in the rule, the column and the reason.
update rejected_row set
    "column" = case "column" when 'gross_t' then 'delivered_t' when 'net_t' then 'clean_t' else "column" end,
    rule = regexp_replace(regexp_replace(
        case rule when 'net_above_gross' then 'clean_above_delivered' else rule end, '^gross_t', 'delivered_t'), '^net_t', 'clean_t'),
    reason_code = case reason_code when 'net_above_gross' then 'clean_above_delivered' else reason_code end,
    reason_args = replace(replace(replace(
        reason_args, '"net_above_gross"', '"clean_above_delivered"'), '"gross_t"', '"delivered_t"'), '"net_t"', '"clean_t"')
where regexp_matches(concat_ws(' ', "column", rule, reason_code, reason_args), '\b(gross_t|net_t|net_above_gross)');
