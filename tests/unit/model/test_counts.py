"""Responses that are counted: shares of roots inspected, and losses as the pieces found on a plot."""

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import FitSeason, fit_season
from transforms.config.response_catalogue import RESPONSES, TIP_LOSS, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model.contrasts import contrast
from transforms.model.effects import effects, slope_weights
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import counts_of, value_from_scale

EFFECT = 0.25
"""Planted change of the fitted scale per practical step."""
STALKS, DEPTH_STEP_CM, SPEED_STEP_KMH = 60, 0.5, 0.5


@pytest.fixture(scope="module")
def loads(catalogue: Catalogue) -> pl.DataFrame:
    season: FitSeason = fit_season(31, "crumbling", catalogue, machines=8, days=14)
    return season.facts.gather_every(3)


def _levels(rng: np.random.Generator, loads: pl.DataFrame, sd: float) -> np.ndarray:
    """Return a random effect of each row's field."""
    codes = loads["field_id"].rank("dense").to_numpy() - 1
    return rng.normal(0, sd, int(codes.max()) + 1)[codes]


def checked(loads: pl.DataFrame, seed: int = 1) -> pl.DataFrame:
    """Return loads with 60 roots inspected each: faster driving leaves more stalks, and fields differ."""
    rng = np.random.default_rng(seed)
    speed = (loads["ground_speed_kmh"].to_numpy() - 6.0) / SPEED_STEP_KMH
    eta = -2.2 + EFFECT * speed + _levels(rng, loads, 0.4) + rng.normal(0, 0.3, loads.height)
    found = rng.binomial(STALKS, 1 / (1 + np.exp(-eta)))
    return loads.with_columns(
        pl.Series("under_topped_count", found.astype(float)), pl.lit(float(STALKS)).alias("topping_checked_count")
    )


def dug(loads: pl.DataFrame, seed: int = 1, plot_m2: float = 12.0, each_kg: float = 0.05) -> pl.DataFrame:
    """Return loads with a plot dug behind each: deeper shares break fewer tips."""
    rng = np.random.default_rng(seed)
    depth = (loads["share_depth_cm"].to_numpy() - 7.0) / DEPTH_STEP_CM
    t_ha = np.exp(np.log(0.6) - EFFECT * depth + _levels(rng, loads, 0.3))
    pieces = rng.poisson(t_ha * 0.1 * plot_m2 / each_kg)
    return loads.with_columns(
        pl.Series(TIP_LOSS, pieces * each_kg / (0.1 * plot_m2)),
        pl.lit(each_kg).alias("tip_loss_mass_each_kg"),
        pl.lit(plot_m2).alias("plot_m2"),
    )


def fitted(facts: pl.DataFrame, response: str, catalogue: Catalogue) -> ResponseFit:
    found = fit_response(facts, response, catalogue, 0.1)
    assert found is not None
    return found


def estimate(fit: ResponseFit, setting: str) -> tuple[float, float]:
    """Return the mean effect of one step over all rows, and its standard error."""
    every = np.ones(fit.z.size, dtype=bool)
    found = contrast(fit.reml, slope_weights(fit, setting, every))
    return found.estimate, found.se


def test_a_planted_effect_on_a_share_is_found(loads, catalogue):
    fit = fitted(checked(loads), UNDER_TOPPED, catalogue)
    change, error = estimate(fit, "ground_speed_kmh")
    assert abs(change - EFFECT) < 2.5 * error
    assert error < EFFECT / 4
    row = effects(fit, catalogue, 30).row(
        by_predicate=(pl.col("setting") == "ground_speed_kmh")
        & pl.col("wetness_class").is_null()
        & pl.col("soil_class").is_null(),
        named=True,
    )
    assert row["lo95"] < 100 * np.expm1(EFFECT) < row["hi95"]


def test_a_planted_effect_on_the_loss_of_tips_is_found(loads, catalogue):
    facts = dug(loads)
    fit = fitted(facts, TIP_LOSS, catalogue)
    change, error = estimate(fit, "share_depth_cm")
    assert abs(change + EFFECT) < 2.5 * error
    assert error < EFFECT / 4
    assert value_from_scale(TIP_LOSS, fit.fitted).mean() == pytest.approx(facts[TIP_LOSS].mean(), rel=0.05)


def test_plots_of_any_size_and_pieces_of_any_mass_give_the_same_counts():
    """A loss of 1 t/ha is 0.1 kg per square metre: on 12 m2, 24 pieces of 50 g."""
    counts = counts_of(
        pl.DataFrame({TIP_LOSS: [1.0, 2.0], "tip_loss_mass_each_kg": [0.05, 0.1], "plot_m2": [12.0, 6.0]}),
        RESPONSES[TIP_LOSS],
    )
    assert counts is not None
    assert counts.observed == pytest.approx([24.0, 12.0])
    assert counts.size == pytest.approx([24.0, 6.0])


def test_a_plot_without_any_piece_counts_and_one_without_a_count_does_not(loads, catalogue):
    facts = dug(loads)
    none_found = facts.with_columns(
        pl.when(pl.int_range(pl.len()) % 5 == 0).then(0.0).otherwise(TIP_LOSS).alias(TIP_LOSS)
    )
    unknown = none_found.with_columns(
        pl.when(pl.int_range(pl.len()) % 7 == 0).then(None).otherwise("plot_m2").alias("plot_m2")
    )
    fit = fitted(unknown, TIP_LOSS, catalogue)
    assert fit.z.size == unknown["plot_m2"].count()
    assert np.isfinite(fit.z).all()
    assert (fit.rows[TIP_LOSS] == 0).sum() > 0


@pytest.mark.slow
def test_overdispersion_widens_intervals(loads, catalogue):
    """Counts that differ more than by chance carry less information."""
    plain = fitted(dug(loads), TIP_LOSS, catalogue)
    noise = np.random.default_rng(5).normal(0, 0.6, loads.height)
    noisy = fitted(dug(loads).with_columns(pl.col(TIP_LOSS) * pl.Series(np.exp(noise))), TIP_LOSS, catalogue)
    assert estimate(noisy, "share_depth_cm")[1] > 1.5 * estimate(plain, "share_depth_cm")[1]
    assert noisy.s2 == pytest.approx(0.36, abs=0.12)


def test_a_check_of_too_few_rows_is_not_fitted(loads, catalogue):
    assert fit_response(checked(loads).head(RESPONSES[UNDER_TOPPED].min_rows - 1), UNDER_TOPPED, catalogue, 0.1) is None
