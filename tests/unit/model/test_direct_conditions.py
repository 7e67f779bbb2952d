"""Levels of conditions, freed of operators' reactions to hidden dirt."""

import numpy as np
import pytest

from tests.validation.condition_levels import levels, slope
from tests.validation.fit_seasons import fit_season, machine_days
from transforms.config.response_catalogue import DIRT
from transforms.model.direct_conditions import direct_conditions
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.load_decomposition import condition_columns
from transforms.model.prediction import condition_levels, condition_weights

MACHINES, DAYS, SEED, MECHANIC = 6, 12, 41, "two soils"


@pytest.fixture(scope="module")
def fit(catalogue) -> ResponseFit:
    found = fit_response(fit_season(SEED, MECHANIC, catalogue, MACHINES, DAYS).facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


def test_only_the_conditions_lines_change(fit):
    change = direct_conditions(fit) - np.eye(fit.width)
    changed = np.flatnonzero(np.abs(change).sum(axis=1))
    assert 0 < changed.size <= len(fit.frame.terms.conditions) + 1
    assert set(changed) <= set(condition_columns(fit))


def test_weights_and_levels_agree(fit):
    at = {n: fit.rows[n].cast(float).to_numpy()[:4] for n in fit.frame.terms.conditions}
    for i, level in enumerate(condition_levels(fit, at)):
        weights = condition_weights(fit, {n: float(v[i]) for n, v in at.items()})
        assert weights @ fit.reml.coef == pytest.approx(level)


def test_levels_are_nearer_to_the_truth_than_beside_visit_means(fit):
    """Operators react to hidden dirt: given how they set the machine, a wet field is one with less of it."""
    truth, expected, beside = levels(fit, MECHANIC, machine_days(np.random.default_rng(SEED), MACHINES, DAYS))
    assert np.std(expected - truth) < 0.5 * np.std(beside - truth)
    assert abs(slope(expected, truth) - 1) < 0.2
    assert slope(beside, truth) < 0.7
