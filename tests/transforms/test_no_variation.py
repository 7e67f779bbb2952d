"""Seasons in which a condition does not vary: nothing is divided by its spread."""

import json

import numpy as np
import polars as pl
import pytest

from tests.proofs.fit_seasons import fit_season
from transforms.advice.shrinkage import shrinkage
from transforms.advice.what_if import Question, answer, tabulate
from transforms.benchmark.levels import own_levels
from transforms.catalogue import DIRT, Catalogue
from transforms.model.effects import effects
from transforms.model.fit import ResponseFit, fit_response
from transforms.workspace import Prices


def constant(catalogue: Catalogue, **values: float) -> ResponseFit:
    """Return the fit of a season in which some conditions have one value."""
    facts = fit_season(2, "crumbling", catalogue, machines=5, days=8).facts
    found = fit_response(facts.with_columns(**{n: pl.lit(v) for n, v in values.items()}), DIRT, catalogue, 0.1)
    assert found is not None
    return found


@pytest.mark.parametrize(
    "values",
    [{"yield_t_ha": 75.0}, {"clay_pct": 25.0}, {"air_temp_c": 9.0, "topsoil_wetness": 0.62, "yield_t_ha": 75.0}],
    ids=["yield", "clay", "wetness, temperature and yield"],
)
def test_a_season_without_variation_of_a_condition_is_read_and_answered(catalogue, values):
    fit = constant(catalogue, **values)
    assert effects(fit, catalogue, 30)["change_pct"].drop_nulls().is_finite().all()
    spread = shrinkage(fit)
    assert np.isfinite(spread.covariance).all()
    table = json.loads(json.dumps(tabulate(fit, None, {DIRT: spread}, catalogue, Prices(), 30)))
    found = answer(table, Question(0.6, 25.0, 9.0, 75.0, {"share_depth_cm": 7.0}))
    assert np.isfinite([*found.dirt_pct, *found.cost_per_t, *found.saved_per_t]).all()


def test_machines_are_compared_where_all_fields_share_one_clay(catalogue):
    own = own_levels(constant(catalogue, clay_pct=25.0), "machine")
    assert own is not None
    assert np.isfinite(own.own).all()
    assert (np.diag(own.own_cov) > 0).all()
