-- A row is one source's share of the variance of a response on its fitted scale; a response's shares add up to one.
-- Key: response, source. Written by the model.
create table if not exists variance_share (
    response varchar not null,
    source varchar not null,
    kind varchar not null,
    share double,
    lo95 double,
    hi95 double,
    says varchar not null
);
