"""Settings moved by lot: which rows they are, and what they separate from the reaction of operators."""

import numpy as np
import polars as pl
import pytest

from tests.validation.adversarial_seasons import reacting
from tests.validation.fit_seasons import fit_season
from tests.validation.varied_seasons import varied
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.demo.operators import REACTION as REACTION_OF_OPERATORS
from transforms.model.effects import slope_weights
from transforms.model.estimate import fit_response
from transforms.model.facts import build_design_spec, usable_facts
from transforms.model.fit_result import ResponseFit
from transforms.model.measurement_error import reliability
from transforms.model.planned_variation import (
    MIN_ROWS,
    MIN_SETTINGS,
    REACTION,
    ReactionSlope,
    has_enough_by_lot,
    is_by_lot,
)

SETTINGS = ["share_depth_cm", "ground_speed_kmh"]


@pytest.fixture(scope="module")
def seasons():
    """A season whose operators fully react to hidden dirt, without and with variation by lot."""
    catalogue = load_catalogue()
    season = fit_season(8203, "crumbling", catalogue, machines=6, days=16)
    plain = reacting(1.0)(season, catalogue, np.random.default_rng(1))
    return plain, varied(plain, catalogue, np.random.default_rng(2))[0]


def test_rows_by_lot_are_those_of_the_plan_and_of_the_trial():
    rows = pl.DataFrame(
        {
            "varied_settings": ["ground_speed_kmh|share_depth_cm", None, "ground_speed_kmh", "share_depth_cm_x"],
            "trial_setting": [None, "share_depth_cm", None, None],
        }
    )
    assert is_by_lot(rows, "share_depth_cm").tolist() == [True, True, False, False]
    assert is_by_lot(rows, "ground_speed_kmh").tolist() == [True, False, True, False]
    assert is_by_lot(rows.drop("varied_settings"), "share_depth_cm").tolist() == [False, True, False, False]


@pytest.mark.parametrize(
    ("settings", "n", "is_enough"),
    [(MIN_SETTINGS, MIN_ROWS, True), (MIN_SETTINGS - 1, 500, False), (9, MIN_ROWS - 1, False)],
)
def test_reaction_needs_enough_settings_by_lot(settings, n, is_enough):
    names = [f"s{k}" for k in range(settings)]
    rows = pl.DataFrame({"varied_settings": pl.Series([name for name in names for _ in range(n)] + [None] * 500)})
    assert has_enough_by_lot(rows, [*names, "other"]) is is_enough
    assert not has_enough_by_lot(rows.drop("varied_settings"), names)


def test_a_season_without_a_plan_has_the_terms_it_had(seasons):
    plain, by_lot = seasons
    catalogue = load_catalogue()
    specs = [build_design_spec(usable_facts(s.facts, DIRT, list(catalogue)), DIRT, catalogue) for s in (plain, by_lot)]
    assert [any(isinstance(t, ReactionSlope) for t in spec.dense_terms) for spec in specs] == [False, True]
    assert [t for t in specs[1].dense_terms if not isinstance(t, ReactionSlope)] == list(specs[0].dense_terms)


def errors(fit: ResponseFit, effect: dict[str, np.ndarray]) -> np.ndarray:
    """Return the errors of the mean slopes in units of z per step."""
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    every = np.ones(fit.z.size, dtype=bool)
    return np.array([slope_weights(fit, s, every) @ fit.reml.coef - effect[s][order].mean() for s in fit.settings])


def test_effects_are_nearer_to_the_truth_and_the_reaction_has_its_sign(seasons):
    catalogue = load_catalogue()
    fits = [fit_response(s.facts, DIRT, catalogue, 0.1) for s in seasons]
    assert all(f is not None for f in fits)
    without, by_lot = (np.sqrt(np.mean(errors(f, s.effect) ** 2)) for f, s in zip(fits, seasons, strict=True) if f)
    assert by_lot < 0.75 * without
    fit = fits[1]
    assert fit is not None
    assert fit.reml.variances[REACTION] > 0
    # A setting that is raised when dirt rises seems to soil, one that is lowered seems to clean.
    reacts = {s: REACTION_OF_OPERATORS[s][2] for s in fit.settings if s in REACTION_OF_OPERATORS}
    assert sum(np.sign(r) * fit.reml.coef[fit.index_of(ReactionSlope(s))] for s, r in reacts.items()) > 0


def test_a_load_by_lot_is_traced_less_surely_than_one_beside_loads_like_it():
    facts = pl.DataFrame(
        {
            "trace_quality": [0.6, 0.6],
            "claimed_quality": [0.8, 0.8],
            "machine_chance": [1.0, 1.0],
            "varied_settings": ["share_depth_cm", None],
        }
    )
    found = reliability(facts, np.array([0.9, 0.9]), SETTINGS, np.ones(2))
    assert found[1].tolist() == pytest.approx([1 - 0.25 * 0.1] * 2)
    assert found[0].tolist() == pytest.approx([1 - 0.25 * 1.5, 1 - 0.25 * 0.1])
