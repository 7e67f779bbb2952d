"""Draws of what a move of settings does to dirt and to root loss under given conditions."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.model.fit import ResponseFit

Array = NDArray[np.float64]
DRAWS = 4000


@dataclass(frozen=True)
class Slopes:
    """Per setting, draws of the log change of one step up; shape (draws, j)."""

    settings: list[str]
    draws: Array

    def log_change(self, steps: dict[str, float]) -> Array:
        """Return draws of the log change of moving settings; one not in the model does nothing."""
        total = np.zeros(self.draws.shape[0])
        for name, count in steps.items():
            if name in self.settings:
                total += count * self.draws[:, self.settings.index(name)]
        return total


def slope_matrix(fit: ResponseFit, wetness: float, clay_pct: float) -> tuple[list[str], Array]:
    """Return the settings of a fit and the core weights of each one's slope at given conditions, shape (j, c)."""
    rows = {n: np.array([float(fit.design.rows[n].mean())]) for n in fit.design.curves.splines}  # type: ignore[arg-type]
    rows |= {"topsoil_wetness": np.array([wetness]), "clay_pct": np.array([clay_pct])}
    modifiers = fit.design.curves.modifiers(rows)
    names = [n for n in fit.design.settings if n in fit.design.names]
    L = np.zeros((len(names), fit.reml.core.size))
    for i, name in enumerate(names):
        j = fit.design.settings.index(name)
        L[i, fit.design.names.index(name)] = 1.0
        for label, value in modifiers.items():
            L[i, fit.reml.spans[f"settings by {label}"].start + j] = value[0]
    return names, L


def draw_slopes(fit: ResponseFit, wetness: float, clay_pct: float, rng: np.random.Generator) -> Slopes:
    """Draw the within slopes of all settings at given conditions from their joint posterior."""
    names, L = slope_matrix(fit, wetness, clay_pct)
    covariance = L @ fit.reml.cov_core @ L.T
    return Slopes(names, rng.multivariate_normal(L @ fit.reml.core, covariance, size=DRAWS, method="eigh"))
