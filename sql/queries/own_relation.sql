-- A row is a table or view of this warehouse. Key: name. Reads the database catalogue.
select view_name as name, 'view' as kind
from duckdb_views()
where not internal and schema_name = 'main'
union all
select table_name as name, 'table' as kind
from duckdb_tables()
where schema_name = 'main'
order by kind desc, name
