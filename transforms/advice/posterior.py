"""Posterior draws of the effect of moving settings on dirt and root loss on one machine under given conditions.

The fit estimates an effect in given conditions on average over places and machines. On one machine in one field, it
differs from that for reasons the fit does not know, and the machine's sensor may show it too large or too small:

    b_place = b (1 + e),   e ~ N(0, place_sd^2 + gamma^2)                                                    (12b)

with place_sd of the response (`responses.toml`) and gamma of the sensors' gains (`sensor_gain.py`), the same e for all
moves of a setting. METHODS.md section 6.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from transforms.advice.pair_effects import PairEffect
from transforms.advice.shrinkage import DRAWS, Shrinkage
from transforms.config.response_catalogue import RESPONSES
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import PredictionPoint, weights_of_values
from transforms.model.sensor_gain import GAIN_SD

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Slopes:
    """Draws of the log change of moving settings.

    Attributes:
        settings: settings with an effect.
        draws: effect of one step up of each setting, shape (draws, j).
        moves: (setting, steps) -> draws of that move, shape (draws,), for curves whose effect is not proportional.
        pairs: pairs of settings whose effects depend on each other.
        now: setting -> current value in its unit, for the pairs.
    """

    settings: list[str]
    draws: Array
    moves: dict[tuple[str, int], Array] = field(default_factory=dict)
    pairs: tuple[PairEffect, ...] = ()
    now: dict[str, float] = field(default_factory=dict)

    def log_change(self, steps: dict[str, float]) -> Array:
        """Return draws of the log change of moving settings, shape (draws,).

        Args:
            steps: setting -> number of steps; a setting that is not in the model has no effect.
        """
        total = np.zeros(self.draws.shape[0])
        for name, count in steps.items():
            if (name, count) in self.moves:
                total += self.moves[name, int(count)]
            elif name in self.settings:
                total += count * self.draws[:, self.settings.index(name)]
        for pair in self.pairs:
            step = dict(zip(pair.settings, pair.step, strict=True))
            moved = {n: v + steps.get(n, 0.0) * step[n] for n, v in self.now.items() if n in step}
            total += pair.change(self.now, moved)[:, 0]
        return total


def _relative_sd(response: str, setting: Setting) -> float:
    """Return the standard deviation of e of (12b); the sensor of a flag has no gain."""
    return float(np.hypot(RESPONSES[response].place_sd, 0.0 if setting.is_flag else GAIN_SD))


def draw_slopes(
    fit: ResponseFit,
    place: PredictionPoint,
    settings: dict[str, float],
    catalogue: Catalogue,
    max_steps: int,
    shrink: Shrinkage,
    pairs: tuple[PairEffect, ...],
    rng: np.random.Generator,
) -> Slopes:
    """Return draws of the effects of moves from the current settings, from their joint posterior.

    Args:
        fit: fit of the response.
        place: conditions and machine.
        settings: setting -> current value, in the setting's unit.
        catalogue: the settings known.
        max_steps: largest number of practical steps of a move.
        shrink: shrinkage of the settings' effects.
        pairs: pairs of settings whose effects depend on each other.
        rng: random generator.
    """
    names = [n for n in fit.settings if n in settings]
    counts = [k for k in range(-max_steps, max_steps + 1) if k]
    moves = [(n, k) for n in names for k in counts]
    if not moves:
        return Slopes([], np.zeros((DRAWS, 0)))
    rows = []
    for n in names:
        values = [settings[n], *(settings[n] + k * catalogue[n].step for k in counts)]
        current, *moved = weights_of_values(fit, n, values, place)
        rows += [weights - current for weights in moved]
    L = np.array(rows)
    draws = dict(zip(moves, shrink.draw_contrasts(fit, L, DRAWS, rng).T, strict=True))
    at_place = {n: 1 + _relative_sd(fit.response, catalogue[n]) * rng.standard_normal(DRAWS) for n in names}
    drawn = {(n, k): change * at_place[n] for (n, k), change in draws.items()}
    return Slopes(names, np.column_stack([drawn[n, 1] for n in names]), drawn, pairs, settings)
