"""Fits by day: near the exact fit to the same rows, and only where the variances of the night serve."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.unit.model.test_counts import checked
from tests.validation.fit_seasons import fit_season
from transforms.config.response_catalogue import DIRT, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.result_tables.fit import ESTIMATED, LAST_NIGHT
from transforms.model.day_fit import fit_by_day
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_tables import fit_posterior, fit_summary
from transforms.model.night_fit import MAX_AGE, NightFit, night_fit_of
from transforms.model.previous_season import prior_of

AGREES_SE = 0.1


@pytest.fixture(scope="module")
def facts(catalogue: Catalogue) -> pl.DataFrame:
    return fit_season(31, "crumbling", catalogue, machines=8, days=14).facts


@pytest.fixture(scope="module")
def night(facts: pl.DataFrame, catalogue: Catalogue) -> NightFit:
    return kept_until_last_day(facts, DIRT, catalogue)


def kept_until_last_day(facts: pl.DataFrame, response: str, catalogue: Catalogue) -> NightFit:
    """Return the night fit to all but the last day."""
    fit = fit_response(facts.filter(pl.col("shift_date") < pl.col("shift_date").max()), response, catalogue, 0.1)
    assert fit is not None
    kept = night_fit_of(fit)
    assert kept is not None
    return kept


def largest_move_se(found: ResponseFit | None, facts: pl.DataFrame, night: NightFit, catalogue: Catalogue) -> float:
    """Return the largest difference of a fixed effect from the exact fit, in its standard errors."""
    exact = fit_response(facts, night.response, catalogue, 0.1, None, night.variances)
    assert found is not None
    assert exact is not None
    assert found.at == exact.at
    return float(np.max(np.abs(found.reml.beta - exact.reml.beta) / exact.reml.errors))


def test_a_fit_by_day_agrees_with_the_exact_fit_and_names_its_variances(facts, night, catalogue):
    found = fit_by_day(facts, catalogue, 0.1, night)
    assert largest_move_se(found, facts, night, catalogue) < AGREES_SE
    assert found is not None
    run = fit_summary(found).row(0, named=True)
    assert (run["variances_from"], run["variances_n"]) == (LAST_NIGHT, night.rows.height)
    assert run["variances_shift_date"] == night.last_shift_date < found.last_shift_date
    assert night_fit_of(found) is None


def test_the_night_estimates_its_own_variances(facts, night, catalogue):
    exact = fit_response(facts, DIRT, catalogue, 0.1, None, night.variances)
    assert exact is not None
    run = fit_summary(exact).row(0, named=True)
    assert (run["variances_from"], run["variances_n"]) == (ESTIMATED, facts.height)
    assert run["variances_shift_date"] == exact.last_shift_date


def test_pseudo_values_of_heavy_tails_are_kept_and_those_of_new_rows_computed(facts, catalogue):
    rng = np.random.default_rng(1)
    wrong = pl.Series(rng.random(facts.height) < 0.02)
    bad = facts.with_columns(pl.when(wrong).then(pl.col(DIRT) * 2.5 + 10).otherwise(DIRT).alias(DIRT))
    night = kept_until_last_day(bad, DIRT, catalogue)
    assert night.tails.is_huberised
    found = fit_by_day(bad, catalogue, 0.1, night)
    assert largest_move_se(found, bad, night, catalogue) < 2 * AGREES_SE
    assert found is not None
    known = found.rows["load_id"].is_in(night.rows["key"].implode()).to_numpy()
    assert np.array_equal(found.pseudo[known], night.rows["pseudo"].to_numpy())
    assert not np.array_equal(found.pseudo[~known], found.z[~known])


def test_working_values_of_counts_are_kept(facts, catalogue):
    counted = checked(facts.gather_every(2))
    night = kept_until_last_day(counted, UNDER_TOPPED, catalogue)
    found = fit_by_day(counted, catalogue, 0.1, night)
    assert largest_move_se(found, counted, night, catalogue) < AGREES_SE


def test_rounded_values_keep_theirs(facts, catalogue):
    rounded = facts.with_columns(pl.col(DIRT).round(0))
    night = kept_until_last_day(rounded, DIRT, catalogue)
    assert night.is_rounded
    assert fit_by_day(facts, catalogue, 0.1, night) is None
    found = fit_by_day(rounded, catalogue, 0.1, night)
    assert largest_move_se(found, rounded, night, catalogue) < AGREES_SE


def test_a_corrected_measurement_is_used(facts, night, catalogue):
    first = facts["load_id"][0]
    other = pl.when(pl.col("load_id") == first).then(pl.col(DIRT) + 5).otherwise(DIRT).alias(DIRT)
    found = fit_by_day(facts.with_columns(other), catalogue, 0.1, night)
    before = fit_by_day(facts, catalogue, 0.1, night)
    assert found is not None
    assert before is not None
    assert np.flatnonzero(found.z != before.z).tolist() == [before.rows["load_id"].to_list().index(first)]


def test_last_season_is_used_by_day(facts, night, catalogue):
    other = fit_response(fit_season(33, "crumbling", catalogue, machines=8, days=10).facts, DIRT, catalogue, 0.1)
    assert other is not None
    prior = prior_of(fit_posterior(other), DIRT)
    found, alone = (fit_by_day(facts, catalogue, 0.1, night, None, p) for p in (prior, None))
    assert found is not None
    assert alone is not None
    assert found.last_season is not None
    assert found.reml.errors.mean() < alone.reml.errors.mean()


def test_variances_that_do_not_serve_are_estimated_again(facts, night, catalogue):
    def serves(**changes: object) -> bool:
        return fit_by_day(facts, catalogue, 0.1, replace(night, **changes)) is not None

    variances, residual = night.variances
    assert serves()
    assert not serves(last_shift_date=night.last_shift_date - MAX_AGE - dt.timedelta(days=1))
    assert not serves(rows=night.rows.head(night.rows.height // 2))
    assert not serves(sensors=dict(list(night.sensors.items())[1:]))
    assert not serves(variances=({k: v for k, v in variances.items() if k != "field"}, residual))
    assert not serves(variances=({**variances, "another": 1.0}, residual))
    assert not serves(variances=(variances, 9 * residual))
