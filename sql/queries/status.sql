-- A row is a table of the warehouse with its number of rows. Key: name.
-- Reads the database catalogue.
select table_name as name, estimated_size as rows
from duckdb_tables()
order by table_name
