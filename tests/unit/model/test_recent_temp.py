"""Temperature of the ten days before lifting: the level of topping follows it, effects of settings are unbiased."""

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from transforms.config.response_catalogue import TOPS, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model.contrasts import contrast
from transforms.model.condition_terms import CONDITIONS
from transforms.model.effects import slope_weights
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import condition_levels
from transforms.model.recent_temp import AIR_TEMP_10D_C, fill_recent_temp
from transforms.model.response_scale import pct_from_scale

HEIGHT = "scalper_height_mm"
ON_TOPS, BY_STEP, REACTION_MM = 0.25, 0.06, -6.0
"""Planted change of the log ratio per 4 K and per step of 5 mm, and of an operator's height per 4 K."""
ROOTS = 60


def season(seed: int, catalogue: Catalogue) -> pl.DataFrame:
    """Return loads whose ten-day temperature wanders by day: operators lower the scalper where leaf grew."""
    rng = np.random.default_rng(100 + seed)
    facts = fit_season(seed, "sieving", catalogue, machines=4, days=40).facts
    day = (facts["shift_date"] - facts["shift_date"].min()).dt.total_days().to_numpy()
    weather = 12 - 0.1 * np.arange(40) + 3 * np.sin(np.arange(40) / 5 + rng.uniform(0, 6))
    warm = (weather[day] - 9) / 4
    visit = facts.select(pl.struct("machine_id", "field_id", "shift_date").rank("dense")).to_series().to_numpy() - 1
    usual = rng.normal(30, 3, visit.max() + 1)[visit]
    # An operator keeps a height for some loads.
    turn = np.cumsum((rng.random(facts.height) < 0.35) | (np.diff(visit, prepend=-1) != 0))
    height = usual + REACTION_MM * warm + rng.normal(0, 4, turn.max() + 1)[turn]
    z = -3.2 + ON_TOPS * warm + BY_STEP * (height - 30) / 5 + rng.normal(0, 0.1, visit.max() + 1)[visit]
    found = rng.binomial(ROOTS, 1 / (1 + np.exp(-(z + 1.0))))
    return facts.with_columns(
        pl.Series(AIR_TEMP_10D_C, weather[day]),
        pl.Series("air_temp_c", weather[day] + rng.normal(0, 4, facts.height)),
        pl.Series(HEIGHT, height),
        pl.Series(TOPS, pct_from_scale(z + rng.normal(0, 0.1, facts.height))),
        pl.Series("under_topped_count", found.astype(float)),
        pl.lit(float(ROOTS)).alias("topping_checked_count"),
    )


def fitted(facts: pl.DataFrame, response: str, catalogue: Catalogue) -> ResponseFit:
    found = fit_response(facts, response, catalogue, 0.1)
    assert found is not None
    return found


def step_error(fit: ResponseFit) -> float:
    """Return the error of the effect of a step of the scalper, in standard errors."""
    found = contrast(fit.reml, slope_weights(fit, HEIGHT, np.ones(fit.z.size, dtype=bool)))
    return (found.estimate - BY_STEP) / found.se


def level_slope(fit: ResponseFit) -> float:
    """Return the slope of the expected level, at unchanged settings, on the true one of the temperature."""
    middle = {n: np.full(9, fit.rows[n].cast(float).median()) for n in fit.frame.terms.conditions}
    low, high = np.quantile(fit.rows[AIR_TEMP_10D_C].to_numpy(), (0.05, 0.95))
    temp = np.linspace(float(low), float(high), 9)
    level = condition_levels(fit, {**middle, AIR_TEMP_10D_C: temp})
    return float(np.polyfit(ON_TOPS * CONDITIONS[AIR_TEMP_10D_C].standard(temp), level, 1)[0])


@pytest.mark.parametrize("response", [TOPS, pytest.param(UNDER_TOPPED, marks=pytest.mark.slow)])
def test_the_level_follows_the_temperature_and_the_effect_of_a_setting_is_unbiased(response, catalogue):
    fits = [fitted(season(seed, catalogue), response, catalogue) for seed in range(1, 7)]
    errors, slopes = [step_error(f) for f in fits], [level_slope(f) for f in fits]
    assert np.abs(errors).max() < 2.6
    assert abs(np.mean(errors)) < 1.96 / np.sqrt(6)
    assert np.mean(slopes) == pytest.approx(1.0, abs=0.15)


def test_the_temperature_at_lifting_stands_in_where_that_of_ten_days_is_unknown():
    rows = pl.DataFrame({"air_temp_c": [4, 6], AIR_TEMP_10D_C: [9.0, None]})
    assert fill_recent_temp(rows)[AIR_TEMP_10D_C].to_list() == [9.0, 6.0]
    assert fill_recent_temp(rows.drop(AIR_TEMP_10D_C))[AIR_TEMP_10D_C].to_list() == [4.0, 6.0]
    assert fill_recent_temp(rows.select(pl.lit(1).alias("x"))).columns == ["x"]
