"""Settings that are on or off, such as the direction of a roller: their effect, and the move to the other state."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from reports.language.display_units import DisplayUnits
from reports.language.move_phrases import move_values
from tests.validation.fit_seasons import fit_season
from transforms.advice.advice_rows import advise_machine
from transforms.advice.cost import CropAndHaul
from transforms.advice.guide_class import grid_values
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation, allowed_steps
from transforms.advice.posterior import Slopes
from transforms.advice.shrinkage import DRAWS
from transforms.advice.what_if_table import _positions, _usual
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import AdviceRules, Prices
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.response_scale import pct_from_scale, ratio_scale
from transforms.model.visits import visits_of

REVERSED, EFFECT = "rear_roller_reversed", -0.12


def situation(share_reversed: float, low: float = 0.0, high: float = 1.0) -> Situation:
    at = CropAndHaul(yield_t_ha=75.0, haul_km=20.0, width_m=3.0)
    now, tried = {REVERSED: share_reversed, "ground_speed_kmh": 6.0}, {REVERSED: (low, high, 80)}
    return Situation("M1", "F1", dt.date(2025, 10, 9), now, tried, "wet", "heavy", 0.15, 2.0, at, 0.8, "as now")


def test_the_effect_of_a_direction_is_a_contrast_within_visits(catalogue: Catalogue):
    """Operators reverse the roller on dirty visits; inside a visit they change it by chance."""
    rng = np.random.default_rng(4)
    facts = fit_season(31, "crumbling", catalogue, machines=8, days=14).facts
    visit = visits_of(facts)
    habit = rng.random(int(visit.max()) + 1)[visit]
    is_reversed = (rng.random(facts.height) < habit).astype(float)
    z = ratio_scale(facts[DIRT].to_numpy()) + EFFECT * is_reversed + 0.3 * habit
    known = facts.with_columns(pl.Series(DIRT, pct_from_scale(z)), pl.Series(REVERSED, is_reversed))
    fit = fit_response(known, DIRT, catalogue, 0.1)
    assert fit is not None
    row = effects(fit, catalogue, 30).row(
        by_predicate=(pl.col("setting") == REVERSED)
        & pl.col("wetness_class").is_null()
        & pl.col("soil_class").is_null(),
        named=True,
    )
    assert row["lo95"] < 100 * np.expm1(EFFECT) < row["hi95"] < 0
    assert row["between_pct"] > row["hi95"]


@pytest.mark.parametrize(("share", "to"), [(0.0, 1.0), (0.2, 0.8), (1.0, -1.0), (0.9, -0.9)])
def test_a_flag_moves_to_its_other_state(catalogue, share, to):
    assert allowed_steps(REVERSED, situation(share), catalogue, 2) == pytest.approx([to])


def test_a_state_that_was_not_tried_is_not_advised(catalogue):
    assert allowed_steps(REVERSED, situation(0.0, 0.0, 0.4), catalogue, 2) == []


def test_a_direction_is_advised_as_a_word(catalogue):
    rng = np.random.default_rng(1)
    better = Slopes([REVERSED], rng.normal(EFFECT, 0.01, (DRAWS, 1)))
    table = advise_machine(situation(0.1), MoveEffects({DIRT: better}), catalogue, Prices(), AdviceRules())
    row = table.row(0, named=True)
    assert (row["verdict"], row["setting"], row["to_value"]) == ("move", REVERSED, pytest.approx(1.0))
    assert move_values(row, catalogue, DisplayUnits("metric", "EUR", "UTC")) == ("forward", "reversed")


def test_the_guide_knows_no_half_direction(catalogue):
    assert grid_values(0.0, 1.0, catalogue[REVERSED]).tolist() == [0.0, 1.0]
    assert 0.5 in np.mod(grid_values(5.0, 8.0, catalogue["share_depth_cm"]), 1).round(3)


@pytest.mark.parametrize(("share", "usual"), [(0.3, 0.0), (0.8, 1.0)])
def test_the_what_if_table_has_both_states_and_the_more_frequent_one_as_usual(catalogue, share, usual):
    values = pl.Series([1.0] * round(10 * share) + [0.0] * round(10 * (1 - share)))
    assert _positions(values, catalogue[REVERSED]) == [0.0, 1.0]
    assert _usual(values, catalogue[REVERSED]) == usual
