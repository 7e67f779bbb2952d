-- A row is a load's trace grade, 0..1, and why it is not better. Key: load_id. Written by trace.
create table if not exists load_trace_grade (
    load_id varchar not null,
    trace_quality double not null,
    traced_share double not null,
    says varchar not null
);
