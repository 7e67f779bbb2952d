-- One row: the number of rows of a table, view or mart. Parameter: relation. Reads the relation of that name.
select count(*) as rows from query_table($relation)
