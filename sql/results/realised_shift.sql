-- A row is a machine in a shift with advised moves whose uptake is known and with measured loads. Per tonne of clean beet:
-- full_promise_per_t: predicted saving of soil of all moves; promised_per_t: of the share that was made, with its standard
-- deviation; saved_per_t: cost of soil predicted without a move less the measured one; earlier_saved_per_t: the same of
-- the machine's earlier rows, shrunk. is_made: at least half of the moves was made; is_withheld: nobody saw the moves, by
-- lot. contrast_promised_per_t and contrast_saved_per_t: part of the row in the savings of realised_saving, group made,
-- whose means, weighted with clean_t, they give; null if not made or with too few rows.
-- Key: machine_id, shift_date. Written by uptake.
create table if not exists realised_shift (
    machine_id varchar not null,
    shift_date date not null,
    moves bigint not null,
    moves_made bigint not null,
    made_share double not null,
    is_made boolean not null,
    is_withheld boolean not null,
    full_promise_per_t double not null,
    promised_per_t double not null,
    promised_sd_per_t double not null,
    predicted_dirt_ratio double not null,
    dirt_ratio double not null,
    saved_per_t double not null,
    earlier_saved_per_t double not null,
    topsoil_wetness double,
    clean_t double not null,
    soil_cost_per_t double not null,
    loads bigint not null,
    contrast_promised_per_t double,
    contrast_saved_per_t double
);
