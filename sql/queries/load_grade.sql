-- One row: reliability of a load's trace. Reads load_trace_grade. Parameter: load_id.
select * from load_trace_grade where load_id = $load_id
