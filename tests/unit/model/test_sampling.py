"""Check of sampling on invented seasons whose laboratory picks loads at random or by their looks."""

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from tests.validation.sampling import sampled
from transforms.config.response_catalogue import DIRT
from transforms.model.checks.fit_checks import MAX_SAMPLING_Z, sampling_check
from transforms.model.checks.sampling import sampling_rate
from transforms.model.estimate import fit_response


@pytest.fixture(scope="module")
def facts(catalogue) -> pl.DataFrame:
    return fit_season(31, "crumbling", catalogue, machines=8, days=14).facts


def checked(facts: pl.DataFrame, catalogue):
    fit = fit_response(facts, DIRT, catalogue, 0.1)
    assert fit is not None
    return fit


@pytest.mark.parametrize(
    ("strength", "code"), [(0.0, "sampled_at_random"), (1.0, "sampled_if_dirty"), (-1.0, "sampled_if_clean")]
)
def test_a_laboratory_that_picks_loads_by_their_looks_is_found(facts, catalogue, strength, code):
    taken = sampled(facts, strength, seed=7)
    (row,) = sampling_check(checked(taken, catalogue), taken)
    assert row["reason_code"] == code
    assert row["passed"] is (strength == 0)
    assert row["bound"] == MAX_SAMPLING_Z


@pytest.mark.slow
def test_the_standard_score_is_that_of_samples_drawn_without_replacement(facts, catalogue):
    """Scores of random samples of the same loads, with the same fit, have mean 0 and variance 1."""
    fit = checked(sampled(facts, 0.0, seed=7), catalogue)
    scores = []
    for seed in range(40):
        found = sampling_rate(fit, sampled(facts, 0.0, seed))
        assert found is not None
        scores.append(found.z)
    assert abs(np.mean(scores)) < 3 / np.sqrt(len(scores))
    assert abs(np.var(scores) - 1) < 3 * np.sqrt(2 / len(scores))


def test_samples_picked_by_their_looks_change_no_fit(facts, catalogue):
    random, picked = sampled(facts, 0.0, seed=7), sampled(facts, 3.0, seed=8)
    both = random.with_columns(
        pl.coalesce(DIRT, picked[DIRT]).alias(DIRT),
        pl.when(pl.col(DIRT).is_null()).then(pl.lit("looks")).otherwise(pl.lit("random")).alias("sampling_reason"),
    )
    assert both[DIRT].count() > random[DIRT].count() + 100
    alone, labelled = checked(random, catalogue), checked(both, catalogue)
    np.testing.assert_array_equal(labelled.reml.coef, alone.reml.coef)
    (row,) = sampling_check(labelled, both)
    assert row["reason_code"] == "sampled_at_random"


def test_without_unmeasured_loads_the_check_is_not_possible(facts, catalogue):
    fit = checked(facts, catalogue)
    (row,) = sampling_check(fit, facts)
    assert (row["reason_code"], row["passed"]) == ("few_unmeasured_loads", None)
