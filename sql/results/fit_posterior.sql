-- A row is a pair of coefficients of a fit that the next season may start from: the first one's mean, the two's covariance.
-- Key: response, label, other. Written by the model.
create table if not exists fit_posterior (
    response varchar not null,
    label varchar not null,
    other varchar not null,
    mean double not null,
    covariance double not null
);
