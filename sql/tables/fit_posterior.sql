-- A row is a coefficient of a fit that the next season may start from; covariance is with all of the response, in this order.
-- Key: response, label. Written by the model.
create table if not exists fit_posterior (
    response varchar not null,
    label varchar not null,
    mean double not null,
    covariance double[] not null
);
