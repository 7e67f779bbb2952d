"""The condition side of a model: curves, the wetness x clay surface, and what multiplies the settings."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.model.basis import NaturalSpline, natural_spline

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Terms:
    """How rich a model is: degrees of freedom of each condition curve, and which deviations the settings get."""

    curves: dict[str, int]
    surface: bool
    by_wetness_bend: bool


@dataclass(frozen=True)
class ConditionCurves:
    """Curves placed on the data of one fit; evaluates its columns for any conditions.

    Attributes:
        terms: how rich the model is.
        splines: condition -> its spline.
        inside: condition -> (lowest, highest) seen; outside, a curve stands at its edge: nothing is extrapolated.
        bend_skew: mean of w^3, so that the bend is orthogonal to the slope in wetness.
        bend_scale: standard deviation of the bend.
    """

    terms: Terms
    splines: dict[str, NaturalSpline]
    inside: dict[str, tuple[float, float]]
    bend_skew: float
    bend_scale: float

    def _bases(self, values: dict[str, Array]) -> dict[str, Array]:
        return {n: s.columns(np.clip(values[n], *self.inside[n])) for n, s in self.splines.items()}

    def columns(self, values: dict[str, Array]) -> tuple[Array, list[str]]:
        """Return the condition columns, shape (n, k), and their names."""
        bases = self._bases(values)
        columns = [b for basis in bases.values() for b in basis.T]
        names = [f"{n}[{i}]" for n, basis in bases.items() for i in range(basis.shape[1])]
        if self.terms.surface:
            w, c = bases["topsoil_wetness"][:, 0], bases["clay_pct"][:, 0]
            columns += [w * c, (w**2 - 1) * c]
            names += ["wetness x clay", "wetness bend x clay"]
        return np.column_stack(columns), names

    def modifiers(self, values: dict[str, Array]) -> dict[str, Array]:
        """Return what the settings are multiplied by: label -> standardised values, shape (n,)."""
        bases = self._bases(values)
        w = bases["topsoil_wetness"][:, 0]
        out = {"wetness": w, "clay": bases["clay_pct"][:, 0]}
        if self.terms.by_wetness_bend:
            out["wetness bend"] = (w**2 - 1 - self.bend_skew * w) / self.bend_scale
        return out


def place_curves(values: dict[str, Array], terms: Terms) -> ConditionCurves:
    """Place the knots and centres of a model's curves on its data."""
    splines = {n: natural_spline(values[n], d) for n, d in terms.curves.items()}
    w = splines["topsoil_wetness"].columns(values["topsoil_wetness"])[:, 0]
    skew = float(np.mean(w**3))
    scale = max(float(np.std(w**2 - 1 - skew * w)), 1e-9)
    inside = {n: (float(values[n].min()), float(values[n].max())) for n in terms.curves}
    return ConditionCurves(terms, splines, inside, skew, scale)
