"""Fits by day: near the exact fit to the same rows, and only where the variances of the night serve."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.unit.model.test_counts import checked
from tests.validation.fit_seasons import fit_season
from transforms.config.response_catalogue import DIRT, RESPONSES, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.result_tables.fit import ESTIMATED, LAST_NIGHT
from transforms.mixed_model.huber import HUBER, Tails
from transforms.mixed_model.quasi_likelihood import working_response
from transforms.model.day_fit import fit_by_day
from transforms.model.estimate import fit_response
from transforms.model.facts import row_key, usable_facts
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_tables import fit_posterior, fit_summary
from transforms.model.night_fit import MAX_AGE, NightFit, measurement_hash, night_fit_of
from transforms.model.previous_season import prior_of
from transforms.model.response_scale import counts_of

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


def known_rows(found: ResponseFit, night: NightFit) -> np.ndarray:
    """Return the mask of the rows that the night has fitted."""
    return found.rows[row_key(found.rows)].is_in(night.rows["key"].implode()).to_numpy()


def test_pseudo_values_of_heavy_tails_are_kept_and_those_of_new_rows_computed(facts, night, catalogue):
    is_last = (pl.col("shift_date") == pl.col("shift_date").max()) & (pl.int_range(pl.len()) % 3 == 0)
    wrong = facts.with_columns(pl.when(is_last).then(pl.col(DIRT) * 2 + 5).otherwise(DIRT).alias(DIRT))
    heavy = replace(night, tails=Tails(0.01, is_huberised=True, largest_move_se=0.5))
    assert fit_by_day(wrong, catalogue, 0.1, night) is None
    assert fit_by_day(facts, catalogue, 0.1, heavy) is None
    found = fit_by_day(wrong, catalogue, 0.1, heavy)
    assert found is not None
    assert found.tails.is_huberised
    known = known_rows(found, night)
    assert np.array_equal(found.pseudo[known], night.rows["pseudo"].to_numpy())
    sd = np.sqrt(night.variances[1] + found.known)
    assert np.abs(found.residual / sd)[~known].max() < 2 * HUBER.k
    assert np.abs((found.z - found.fitted) / sd)[~known].max() > 3 * HUBER.k


def test_working_values_of_counts_are_kept_and_those_of_new_rows_settle(facts, catalogue):
    counted = checked(facts.gather_every(3))
    night = kept_until_last_day(counted, UNDER_TOPPED, catalogue)
    found = fit_by_day(counted, catalogue, 0.1, night)
    assert found is not None
    known, counts = known_rows(found, night), counts_of(found.rows, RESPONSES[UNDER_TOPPED])
    assert counts is not None
    assert np.array_equal(found.z[known], night.rows["z"].to_numpy())
    at = working_response(counts, found.fitted)
    assert np.abs((found.z - at.z) / np.sqrt(at.variance))[~known].max() < 2 * AGREES_SE


def test_rounded_values_keep_theirs_and_new_ones_are_fitted_as_intervals(facts, night, catalogue):
    rounded = facts.with_columns(pl.col(DIRT).round(0))
    assert fit_by_day(rounded, catalogue, 0.1, night) is None
    rows = night.rows.with_columns(
        measurement_hash(usable_facts(rounded, DIRT, list(night.sensors)), DIRT)
        .head(night.rows.height)
        .alias("measurement")
    )
    found = fit_by_day(rounded, catalogue, 0.1, replace(night, is_rounded=True, rows=rows))
    assert found is not None
    known = known_rows(found, night)
    assert np.array_equal(found.z[known], night.rows["z"].to_numpy())
    # Rounding adds to the variance of measurement.
    assert found.known[~known].mean() > 1.02 * found.known[known].mean()


def test_a_corrected_measurement_is_used(facts, night, catalogue):
    first = facts["load_id"][0]
    other = pl.when(pl.col("load_id") == first).then(pl.col(DIRT) + 5).otherwise(DIRT).alias(DIRT)
    found = fit_by_day(facts.with_columns(other), catalogue, 0.1, night)
    before = fit_by_day(facts, catalogue, 0.1, night)
    assert found is not None
    assert before is not None
    assert np.flatnonzero(found.z != before.z).tolist() == [before.rows["load_id"].to_list().index(first)]


def test_last_season_is_used_by_day(facts, night, catalogue):
    other = fit_by_day(facts, catalogue, 0.1, night)
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
