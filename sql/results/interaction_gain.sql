-- A row is what one setting's effect changes with: by how many percentage points a step it moves, and what that gains.
-- Key: response, setting, changes_with. Written by the model.
create table if not exists interaction_gain (
    response varchar not null,
    setting varchar not null,
    changes_with varchar not null,
    shift_pct double,
    lo95 double,
    hi95 double,
    block_gain double not null,
    block_p_value double not null,
    reason_code varchar not null,
    reason_args varchar not null
);
