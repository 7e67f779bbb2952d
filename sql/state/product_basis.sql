-- A row is a product of the fits (advice, benchmark, fit_check, guide): the last fit and the last shift it rests on, and its
-- outcome (computed or too_few_loads). fitted_at is null if nothing could be fitted. Key: product. Written by advice,
-- benchmark and the model.
create table if not exists product_basis (
    product varchar not null,
    fitted_at timestamptz,
    last_shift_date date,
    outcome_code varchar not null
);
