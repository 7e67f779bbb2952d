-- A row is a share of a load that came from one 30 s bin of one machine; machine and bin are null on what could not be traced.
-- Key: load_id, machine_id, bin_at. Shares of a load sum to 1; `share_sd` is the standard deviation of a share over all the load may have taken. Written by trace.
create table if not exists load_trace (
    load_id varchar not null,
    machine_id varchar,
    bin_at timestamptz,
    share double not null,
    share_sd double
);
