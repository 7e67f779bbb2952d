-- A row is a duplicate key of a fact table. Reads load_fact, audit_fact, root_check_fact.
select 'load_fact' as mart, load_id as key, count(*) as rows from load_fact group by load_id having count(*) > 1
union all
select 'audit_fact' as mart, audit_id as key, count(*) as rows from audit_fact group by audit_id having count(*) > 1
union all
select 'root_check_fact' as mart, check_id as key, count(*) as rows from root_check_fact group by check_id having count(*) > 1
