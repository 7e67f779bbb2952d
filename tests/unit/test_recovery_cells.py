"""Tests of equal coverage find a cell that is covered less often, and invented seasons have the effects they state."""

import numpy as np
import polars as pl
import pytest

from tests.validation.quality_mechanics import QUALITY_MECHANICS
from tests.validation.quality_seasons import USUAL, quality_season
from tests.validation.recovery_cells import KEY, coverage_heterogeneity
from transforms.config.response_catalogue import DAMAGED, OVER_TOPPED, ROOT_LOSS, TIP_LOSS, TOPS, WHOLE_ROOT_LOSS

SEASONS, CLASSES = 60, ("dry", "moist", "wet")


def covered_cells(seed: int, low: float) -> pl.DataFrame:
    """Return cells of which 95 in 100 are covered, and of those of depth on wet soil a share of `low`."""
    keys = [(season, s, w) for season in range(SEASONS) for s in ("depth", "speed", "gap") for w in CLASSES]
    table = pl.DataFrame(keys, schema=["season", *KEY], orient="row")
    rate = np.where((table["setting"] == "depth") & (table["wetness_class"] == "wet"), low, 0.95)
    return table.with_columns(held=np.random.default_rng(seed).random(table.height) < rate)


def test_equal_coverage_is_not_denied():
    p = [coverage_heterogeneity(covered_cells(seed, 0.95), KEY).p_value for seed in range(6)]
    assert min(p) > 0.01
    assert max(p) > 0.3


def test_a_cell_that_is_covered_less_often_is_found():
    found = coverage_heterogeneity(covered_cells(1, 0.6), KEY)
    assert found.df == 8
    assert found.p_value < 0.001


def test_the_chi_square_is_that_of_pearson():
    """Two groups of 20 cells, 19 and 15 covered: 40 (19 x 5 - 15 x 1)^2 / (20 x 20 x 34 x 6) = 3.137."""
    held = np.repeat([True, False, True, False], [19, 1, 15, 5])
    table = pl.DataFrame({"season": np.tile(np.arange(20), 2), "setting": np.repeat(["a", "b"], 20), "held": held})
    assert coverage_heterogeneity(table, ["setting"]).chi_square == pytest.approx(3.1373, abs=1e-4)


NOTHING = {
    "crumbling": {(TIP_LOSS, "separator_1_height_mm"), (WHOLE_ROOT_LOSS, "share_depth_cm")},
    "thresholds": {(ROOT_LOSS, "cleaner_2_speed_rpm"), (TOPS, "topper_speed_rpm"), (DAMAGED, "ground_speed_kmh")},
    "sums": {(ROOT_LOSS, "ground_speed_kmh"), (TOPS, "scalper_height_mm"), (OVER_TOPPED, "ground_speed_kmh")},
}
"""Mechanic -> (response, setting) without effect."""


@pytest.mark.parametrize("name", QUALITY_MECHANICS)
def test_seasons_state_the_effects_of_their_mechanics(name, catalogue):
    season = quality_season(1, name, catalogue, machines=3, days=4)
    for response, effect in season.effect.items():
        assert set(effect) == set(USUAL)
        assert max(np.abs(change).max() for change in effect.values()) > 0.01, response
    for response, setting in NOTHING[name]:
        assert np.abs(season.effect[response][setting]).max() < 1e-12, (response, setting)
    assert (season.effect[OVER_TOPPED]["scalper_height_mm"] <= 1e-12).all()
    assert (season.effect[TIP_LOSS]["share_depth_cm"] <= 1e-12).all()
    audits, checks = season.facts[ROOT_LOSS], season.facts[DAMAGED]
    assert audits["audit_id"].n_unique() == audits.height == 3 * 12
    assert checks["check_id"].n_unique() == checks.height == 2 * 12
