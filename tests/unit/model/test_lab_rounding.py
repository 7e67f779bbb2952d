"""Rounding and floor of laboratory values: found, stated, fitted as intervals."""

import json

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import FitSeason, fit_season
from transforms.config.response_catalogue import DIRT
from transforms.model.checks.fit_checks import CHECKS
from transforms.model.effects import slope_weights
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.lab_rounding import LabRounding, lab_rounding

VALUES = np.random.default_rng(8).lognormal(np.log(6), 0.5, 2000)


@pytest.mark.parametrize("step", [0.5, 1.0, 2.0])
def test_a_coarse_step_is_found(step):
    found = lab_rounding(np.round(VALUES / step) * step)
    assert found is not None
    assert found.step == step
    assert found.floor is None


@pytest.mark.parametrize("step", [0.01, 0.1])
def test_a_fine_step_is_neglected(step):
    assert lab_rounding(np.round(VALUES / step) * step) is None
    assert lab_rounding(VALUES) is None


def test_a_floor_is_found_with_and_without_rounding():
    for values in (np.maximum(np.round(VALUES), 4.0), np.maximum(np.round(VALUES, 2), 4.0)):
        found = lab_rounding(values)
        assert found is not None
        assert found.floor == 4.0
        assert found.floor_share == np.mean(values == 4.0)


def test_values_at_the_floor_have_no_lower_end():
    found = LabRounding(1.0, 2.0, 0.1).intervals(np.array([2.0, 5.0]))
    assert found.low[0] == -np.inf
    assert found.high[0] == pytest.approx(np.log(0.025 / 0.975))
    assert (found.low[1], found.high[1]) == pytest.approx((np.log(0.045 / 0.955), np.log(0.055 / 0.945)))


@pytest.mark.slow
def test_effects_of_a_rounding_laboratory_are_not_flatter(catalogue):
    """Half of the values at the floor: a fit of the values as they are shows smaller effects of the settings."""
    season = fit_season(8006, "sieving", catalogue, machines=8, days=16)
    limited = season.facts.with_columns(pl.col(DIRT).round().clip(4.0))
    found = fit_response(limited, DIRT, catalogue, 0.1)
    # Spread evenly over a tenth of a percent, so that neither the step nor the floor can be seen.
    disguised = limited.with_columns(pl.col(DIRT) + pl.Series(np.linspace(0, 0.1, limited.height)))
    plain = fit_response(disguised, DIRT, catalogue, 0.1)
    assert found is not None
    assert plain is not None
    (row,) = CHECKS["rounding"](found)
    assert (row["passed"], row["reason_code"]) == (False, "values_rounded_limited")
    assert json.loads(str(row["reason_args"]))["floor_pct"] == 4.0
    (row,) = CHECKS["rounding"](plain)
    assert (row["passed"], row["reason_code"]) == (True, "values_exact")
    assert slope_on_truth(plain, season) < 0.85
    assert slope_on_truth(found, season) > slope_on_truth(plain, season) + 0.1


def slope_on_truth(fit: ResponseFit, season: FitSeason) -> float:
    """Return the slope of estimated on true effects over all loads."""
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth = np.array([season.effect[s][order].mean() for s in fit.settings])
    every = np.ones(fit.z.size, dtype=bool)
    estimate = np.array([slope_weights(fit, s, every) @ fit.reml.coef for s in fit.settings])
    return float(estimate @ truth / (truth @ truth))
