"""Gains of sensors widen effects: a machine's sensor may show a movement too large or too small."""

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from transforms.config.response_catalogue import DIRT
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.sensor_gain import GAIN_SD, gain_error

DEPTH, REVERSED = "share_depth_cm", "rear_roller_reversed"


@pytest.fixture(scope="module")
def fit(catalogue) -> ResponseFit:
    found = fit_response(fit_season(8002, "sieving", catalogue, machines=4, days=12).facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


def test_the_error_is_that_of_a_mean_over_machines(fit, catalogue):
    """The mean of 100,000 drawn sets of gains against the formula."""
    every = np.ones(fit.z.size, dtype=bool)
    shares = np.bincount(fit.machines) / fit.z.size
    drawn = np.random.default_rng(1).normal(1, GAIN_SD, (100_000, shares.size)) @ shares * -0.08
    assert gain_error(fit, catalogue[DEPTH], every, -0.08) == pytest.approx(float(drawn.std()), rel=0.02)
    alone = fit.machines == fit.machines[0]
    assert gain_error(fit, catalogue[DEPTH], alone, -0.08) == pytest.approx(0.08 * GAIN_SD)
    assert gain_error(fit, catalogue[REVERSED], every, -0.08) == 0.0


def test_it_widens_the_interval_of_an_effect_and_leaves_the_effect(fit, catalogue, monkeypatch):
    def depth() -> dict[str, float]:
        rows = effects(fit, catalogue, 30)
        everywhere = pl.col("wetness_class").is_null() & pl.col("soil_class").is_null()
        return rows.filter(everywhere, setting=DEPTH).row(0, named=True)

    def half(row: dict[str, float]) -> float:
        return float(np.log1p(row["hi95"] / 100) - np.log1p(row["lo95"] / 100)) / 2

    with_gains = depth()
    monkeypatch.setattr("transforms.model.sensor_gain.GAIN_SD", 0.0)
    without = depth()
    assert with_gains["change_pct"] == without["change_pct"]
    assert with_gains["df"] == without["df"]
    assert with_gains["p_value"] > without["p_value"]
    b = float(np.log1p(without["change_pct"] / 100))
    shares = np.bincount(fit.machines) / fit.z.size
    added = (half(with_gains) ** 2 - half(without) ** 2) / (half(without) ** 2)
    assert added > 0
    se = half(without) / 1.96
    assert added == pytest.approx((0.1 * b) ** 2 * float(shares @ shares) / se**2, rel=0.1)
