"""Draws of what a move of settings does to dirt and to root loss under given conditions."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from transforms.advice.shrinkage import Shrinkage
from transforms.config.settings_catalogue import Catalogue
from transforms.model.fit import ResponseFit
from transforms.model.prediction import PredictionPoint, value_weights

Array = NDArray[np.float64]
DRAWS = 4000


@dataclass(frozen=True)
class Slopes:
    """Draws of the log change of moving settings.

    Attributes:
        settings: settings that do anything.
        draws: one step up of each, shape (draws, j).
        moves: (setting, steps) -> draws of that move, shape (draws,), where a curve makes it more than so many steps.
    """

    settings: list[str]
    draws: Array
    moves: dict[tuple[str, int], Array] = field(default_factory=dict)

    def log_change(self, steps: dict[str, float]) -> Array:
        """Return draws of the log change of moving settings; one not in the model does nothing."""
        total = np.zeros(self.draws.shape[0])
        for name, count in steps.items():
            if (name, count) in self.moves:
                total += self.moves[name, int(count)]
            elif name in self.settings:
                total += count * self.draws[:, self.settings.index(name)]
        return total


def draw_slopes(
    fit: ResponseFit,
    place: PredictionPoint,
    settings: dict[str, float],
    catalogue: Catalogue,
    max_steps: int,
    shrink: Shrinkage,
    rng: np.random.Generator,
) -> Slopes:
    """Draw what moves of up to `max_steps` from the settings as they are would do, from their joint posterior."""
    names = [n for n in fit.settings if n in settings]
    moves = [(n, k) for n in names for k in range(-max_steps, max_steps + 1) if k]
    if not moves:
        return Slopes([], np.zeros((DRAWS, 0)))
    now = {n: value_weights(fit, n, settings[n], place) for n in names}
    L = np.array([value_weights(fit, n, settings[n] + k * catalogue[n].step, place) - now[n] for n, k in moves])
    mean, V = shrink.moved(fit, L)
    drawn = dict(zip(moves, rng.multivariate_normal(mean, V, size=DRAWS, method="eigh").T, strict=True))
    return Slopes(names, np.column_stack([drawn[n, 1] for n in names]), drawn)
