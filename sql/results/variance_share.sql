-- A row is one source's share of the variance of a response on its fitted scale; a response's shares add up to one.
-- The reason of a source without a share is why it is not estimated.
-- Key: response, source. Written by the model.
create table if not exists variance_share (
    response varchar not null,
    source varchar not null,
    kind varchar not null,
    share double,
    lo95 double,
    hi95 double,
    reason_code varchar not null,
    reason_args varchar not null
);
