-- A row is a table: its rows, and a hash of their values that does not depend on their order. Key: none, one row. Reads the table
-- $source.
select count(*) as rows, coalesce(sum(hash(t)), 0)::varchar as content
from query_table($source) as t
