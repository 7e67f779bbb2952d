"""Seasons in which a condition does not vary: nothing is divided by its spread."""

import json
from dataclasses import asdict
from typing import Any

import numpy as np
import polars as pl
import pytest
from threadpoolctl import threadpool_limits

from tests.validation.fit_seasons import fit_season
from transforms.advice.shrinkage import shrinkage
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import CLAY, DRAWS, WETNESS, pack_draws, tabulate
from transforms.benchmark.subject_effects import estimate_subject_effects
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit


def constant(catalogue: Catalogue, **values: float) -> ResponseFit:
    """Return the fit of a season in which some conditions have one value."""
    facts = fit_season(2, "crumbling", catalogue, machines=5, days=8).facts
    found = fit_response(facts.with_columns(**{n: pl.lit(v) for n, v in values.items()}), DIRT, catalogue, 0.1)
    assert found is not None
    return found


def hand_made(yields: list[float]) -> dict[str, Any]:
    """Return a table of what-if whose draws are all 0: dirt over clean is 1 to 9 wherever one asks."""
    draws, nodes = DRAWS, len(WETNESS) * len(CLAY)
    held = {
        "z": float(np.log(1 / 9)),
        "visit": pack_draws(np.zeros(draws)),
        "base": pack_draws(np.zeros((draws, nodes))),
        "sides": {"yield_t_ha": pack_draws(np.zeros((draws, len(yields))))},
        "step": {},
        "by": {},
        "bend": {},
        "pairs": [],
    }
    return {
        "wetness": list(WETNESS),
        "clay": list(CLAY),
        "at": {},
        "sides": {"yield_t_ha": yields},
        "usual": {},
        "values": {},
        "plain_by": {},
        "settings": {},
        "small_loss": 0.05,
        "prices": asdict(Prices()),
        "tried": {"moist|medium": {"n": 40, "settings": {"share_depth_cm": [6, 8]}}},
        "responses": {DIRT: held},
        "crop": {"haul_km": 30.0, "width_m": 3.0, "sugar_pct": 17.0, "tops_pct": 4.0},
    }


@pytest.mark.parametrize("yields", [[75.0] * 7, [70.0, 75.0, 75.0, 80.0]], ids=["one yield", "most share one yield"])
@pytest.mark.parametrize("asked", [60.0, 75.0, 90.0])
def test_what_if_answers_if_nodes_of_a_condition_coincide(yields, asked):
    found = answer_query(hand_made(yields), WhatIfQuery(0.5, 25.0, 9.0, asked, {}))
    assert found.dirt_pct == pytest.approx((10.0, 10.0, 10.0))


def test_effects_are_shrunk_and_machines_compared_where_all_fields_share_one_clay(catalogue):
    with threadpool_limits(limits=1, user_api="blas"):
        fit = constant(catalogue, clay_pct=25.0)
        assert np.isfinite(shrinkage(fit).draws).all()
        own = estimate_subject_effects(fit, "machine")
    assert own is not None
    assert np.isfinite(own.own).all()
    assert (np.diag(own.own_cov) > 0).all()


@pytest.mark.slow
@pytest.mark.parametrize(
    "values",
    [{"yield_t_ha": 75.0}, {"clay_pct": 25.0}, {"air_temp_c": 9.0, "topsoil_wetness": 0.62, "yield_t_ha": 75.0}],
    ids=["yield", "clay", "wetness, temperature and yield"],
)
def test_a_season_without_variation_of_a_condition_is_read_and_answered(catalogue, values):
    fit = constant(catalogue, **values)
    assert effects(fit, catalogue, 30)["change_pct"].drop_nulls().is_finite().all()
    spread = shrinkage(fit)
    assert np.isfinite(spread.draws).all()
    table = json.loads(json.dumps(tabulate({DIRT: fit}, {DIRT: spread}, {DIRT: ()}, catalogue, Prices(), 30)))
    found = answer_query(table, WhatIfQuery(0.6, 25.0, 9.0, 75.0, {"share_depth_cm": 7.0}))
    assert np.isfinite([*found.dirt_pct, *found.cost_per_t, *found.saved_per_t]).all()
