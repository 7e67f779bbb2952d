-- A row is a subject whose setting, outlier and subject effects do not add up to observed minus expected.
-- Reads benchmark.
select subject_kind, subject_id, response, observed - expected as away,
    from_settings + from_outliers + unexplained as sum_of_parts
from benchmark
where abs(observed - expected - from_settings - from_outliers - unexplained) > 1e-6
