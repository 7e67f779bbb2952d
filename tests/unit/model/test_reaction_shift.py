"""Coefficients freed of operators' reaction to hidden dirt, against (5.8) by hand."""

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from transforms.model import reaction_shift
from transforms.model.hidden_reaction import Reaction
from transforms.model.lot_contrast import LotCorrection
from transforms.model.reaction_shift import freed_coefficients

SETTINGS = ("share_depth_cm", "cleaner_1_speed_rpm")
COEF = np.array([1.0, 0.10, -0.04, 0.3])
"""Intercept, the effects of both settings, and one more."""
V = np.diag([0.04, 0.0001, 0.0004, 0.01])


def reaction(*, is_seen: bool) -> Reaction:
    """Both effects may be biased, most likely by 0.03 and -0.01, or by less than half a standard error."""
    likely = np.array([0.03, -0.01]) if is_seen else np.array([0.004, -0.001])
    return Reaction(SETTINGS, likely, 2 * likely, 3 * likely, np.array([0.01, 0.02]))


@pytest.fixture
def freed(monkeypatch: pytest.MonkeyPatch):
    """Return a function that frees the coefficients of a fit with this reaction and this correction by lot."""

    def free(found: Reaction | None, lot: LotCorrection | None = None):
        reml = SimpleNamespace(coef=COEF)
        fit = SimpleNamespace(
            reml=reml, cached=lambda _, make: make(), index_of=lambda t: 1 + SETTINGS.index(t.setting)
        )
        monkeypatch.setattr(reaction_shift, "reaction_within_visits", lambda _: found)
        monkeypatch.setattr(reaction_shift, "lot_correction", lambda _: lot)
        monkeypatch.setattr(reaction_shift, "draws_covariance", lambda _, L: L @ V @ L.T)
        return freed_coefficients(cast("Any", fit))

    return free


@pytest.mark.parametrize("found", [None, reaction(is_seen=False)])
def test_without_a_reaction_coefficients_are_as_fitted(freed, found):
    result = freed(found)
    assert np.array_equal(result.mean, COEF)
    assert result.covariance(np.eye(4)) == pytest.approx(V)


def test_a_reaction_seen_is_taken_off_and_known_to_half_its_size(freed):
    result, bias = freed(reaction(is_seen=True)), np.array([0, 0.03, -0.01, 0])
    assert result.mean == pytest.approx(COEF - bias)
    assert result.covariance(np.eye(4)) == pytest.approx(V + np.outer(bias, bias) / 4)


def test_the_same_operators_react_so_biases_of_two_settings_vary_together(freed):
    """A contrast on which both biases cancel keeps its error; weights 1 and 3: 0.03 - 3 x 0.01 = 0."""
    L = np.array([[0.0, 1.0, 3.0, 0.0]])
    assert freed(reaction(is_seen=True)).covariance(L) == pytest.approx(L @ V @ L.T)


def test_settings_moved_by_lot_have_the_correction_by_lot_in_place_of_the_likely_bias(freed):
    lot = LotCorrection(SETTINGS[:1], np.array([0.0, 0.05, 0.0, 0.01]), np.array([[0.0], [0.02], [0.0], [0.004]]))
    result, bias = freed(reaction(is_seen=True), lot), np.array([0, 0, -0.01, 0])
    assert result.mean == pytest.approx(COEF - bias - lot.shift)
    assert result.covariance(np.eye(4)) == pytest.approx(V + np.outer(bias, bias) / 4 + lot.root @ lot.root.T)
