-- One row: how far a load's trace can be trusted. Reads load_trace_grade. Parameter: load_id.
select * from load_trace_grade where load_id = $load_id
