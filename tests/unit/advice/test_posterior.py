"""Draws of the effects of moves on one machine in one field, against (12b) by hand."""

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from transforms.advice import posterior
from transforms.advice.posterior import draw_slopes
from transforms.advice.shrinkage import DRAWS
from transforms.config.response_catalogue import DIRT, RESPONSES, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.model.sensor_gain import GAIN_SD

NOW = {"share_depth_cm": 7.0, "rear_roller_reversed": 0.0}
EFFECT = 0.08
"""Log change by a step of each setting, known without error."""


@pytest.fixture
def drawn(catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch):
    """Return a function that draws the effects of moves on a response, of which the fit is certain."""

    def draw(response: str):
        def weights(_fit: object, name: str, values: list[float], _place: object) -> list[np.ndarray]:
            return [np.array([EFFECT * v / catalogue[name].step]) for v in values]

        monkeypatch.setattr(posterior, "weights_of_values", weights)
        fit = SimpleNamespace(response=response, settings=list(NOW))
        certain = SimpleNamespace(draw_contrasts=lambda _fit, L, draws, _rng: np.tile(L[:, 0], (draws, 1)))
        rng = np.random.default_rng(1)
        return draw_slopes(cast("Any", fit), cast("Any", None), NOW, catalogue, 2, cast("Any", certain), (), rng)

    return draw


@pytest.mark.parametrize("response", [DIRT, ROOT_LOSS])
def test_an_effect_at_a_place_varies_about_that_of_the_fit(drawn, response):
    change = drawn(response).moves["share_depth_cm", 2]
    relative = np.hypot(GAIN_SD, RESPONSES[response].place_sd)
    assert change.mean() == pytest.approx(2 * EFFECT, rel=4 * relative / np.sqrt(DRAWS))
    assert change.std() == pytest.approx(2 * EFFECT * relative, rel=0.05)


def test_all_moves_of_a_setting_vary_together_and_settings_apart(drawn):
    slopes = drawn(ROOT_LOSS)
    one, two, back = (slopes.moves["share_depth_cm", k] for k in (1, 2, -1))
    assert two == pytest.approx(2 * one)
    assert back == pytest.approx(-one)
    assert abs(np.corrcoef(one, slopes.moves["rear_roller_reversed", 1])[0, 1]) < 0.1


def test_a_flag_has_no_gain_so_its_effect_on_dirt_is_that_of_the_fit(drawn):
    assert np.ptp(drawn(DIRT).moves["rear_roller_reversed", 1]) == 0
