-- One row: reliability of the season's data. Reads load_fact, load_trace_grade, mass_balance, source_file.
select
    (select count(*) from load_fact) as loads,
    (select count(*) from load_fact where dirt_tare_pct is not null) as measured,
    (select avg(trace_quality) from load_trace_grade) as trace_quality,
    (select sum(weighed_t) / nullif(sum(lifted_t), 0) from mass_balance where lifted_t > 0) as closure,
    (select sum(rows_in) from source_file)::bigint as rows_in,
    (select sum(rows_rejected) from source_file)::bigint as rows_rejected
