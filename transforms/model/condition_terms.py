"""Condition terms of the model: lines, curves and the wetness x clay surface.

Every condition has a fixed centre, scale and range that do not depend on the data, so that a coefficient has the same
meaning in every season and on every day. A curve is a straight line and penalised departures from it.
"""

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.p_spline import PSpline
from transforms.model.term import SingleTerm, Term, TermRows

Values = Mapping[str, Array]


@dataclass(frozen=True)
class Condition:
    """Scaling and curve of one condition.

    Attributes:
        centre: usual value, in the condition's unit.
        scale: change that counts as one, in the same unit.
        curve: P-spline of the condition.
    """

    centre: float
    scale: float
    curve: PSpline

    def standard(self, x: Array) -> Array:
        """Return (x - centre) / scale, with x clipped to the range of the curve."""
        return np.asarray((np.clip(x, self.curve.low, self.curve.high) - self.centre) / self.scale)


CONDITIONS = {
    "topsoil_wetness": Condition(0.5, 0.25, PSpline(0.0, 1.0, 6, (0.1, 0.9))),
    "clay_pct": Condition(22.0, 12.0, PSpline(0.0, 70.0, 7, (5.0, 50.0))),
    "air_temp_c": Condition(9.0, 5.0, PSpline(-12.0, 30.0, 7, (0.0, 18.0))),
    "air_temp_10d_c": Condition(9.0, 4.0, PSpline(-10.0, 26.0, 6, (2.0, 16.0))),
    "yield_t_ha": Condition(75.0, 15.0, PSpline(25.0, 140.0, 6, (50.0, 100.0))),
    "root_mass_kg": Condition(0.8, 0.15, PSpline(0.2, 1.6, 6, (0.5, 1.1))),
    "campaign_day": Condition(45.0, 30.0, PSpline(0.0, 180.0, 12, (0.0, 90.0))),
}
SURFACE_PIECES = 3
"""Intervals of the wetness x clay surface in each direction."""
JOINT = ("topsoil_wetness", "clay_pct")
"""Conditions that have terms in common."""


class ConditionTerm(Term):
    """A term of conditions alone."""

    kind = "condition"
    setting = None

    @property
    @abstractmethod
    def conditions(self) -> tuple[str, ...]:
        """The conditions that it depends on."""

    @abstractmethod
    def at(self, values: Values) -> Array:
        """Return its columns at the given conditions, shape (n, q)."""

    def columns(self, rows: TermRows) -> Array:
        """Return its columns, one for each label, shape (n, q)."""
        return self.at(rows.conditions)


class SingleConditionTerm(ConditionTerm, SingleTerm):
    """A term of conditions with one coefficient."""

    def column(self, rows: TermRows) -> Array:
        """Return its column, shape (n,)."""
        return self.at(rows.conditions)[:, 0]


@dataclass(frozen=True)
class ConditionLine(SingleConditionTerm):
    """Straight line of a condition."""

    condition: str

    @property
    def conditions(self) -> tuple[str, ...]:
        """The condition."""
        return (self.condition,)

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return self.condition

    def at(self, values: Values) -> Array:
        """Return the line at the given conditions, shape (n, 1)."""
        return CONDITIONS[self.condition].standard(values[self.condition])[:, None]


@dataclass(frozen=True)
class WetnessByClay(SingleConditionTerm):
    """Product of the lines of wetness and clay."""

    @property
    def conditions(self) -> tuple[str, ...]:
        """Wetness and clay."""
        return JOINT

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return "wetness x clay"

    def at(self, values: Values) -> Array:
        """Return the product at the given conditions, shape (n, 1)."""
        wetness, clay = (CONDITIONS[n].standard(values[n]) for n in JOINT)
        return np.asarray(wetness * clay)[:, None]


@dataclass(frozen=True)
class ConditionCurve(ConditionTerm):
    """Curve of a condition without its line."""

    condition: str

    @property
    def conditions(self) -> tuple[str, ...]:
        """The condition."""
        return (self.condition,)

    @property
    def block(self) -> str:
        """Name of its variance."""
        return f"curve of {self.condition}"

    def labels(self) -> tuple[str, ...]:
        """Return the labels of its coefficients."""
        return tuple(f"{self.block}[{i}]" for i in range(CONDITIONS[self.condition].curve.width))

    def at(self, values: Values) -> Array:
        """Return its columns at the given conditions, shape (n, q)."""
        return CONDITIONS[self.condition].curve.columns(values[self.condition])


@dataclass(frozen=True)
class WetnessClaySurface(ConditionTerm):
    """Surface of wetness and clay without the product of their lines."""

    @property
    def conditions(self) -> tuple[str, ...]:
        """Wetness and clay."""
        return JOINT

    @property
    def block(self) -> str:
        """Name of its variance."""
        return "surface of wetness and clay"

    def labels(self) -> tuple[str, ...]:
        """Return the labels of its coefficients."""
        widths = [1 + _side(n).width for n in JOINT]
        return tuple(f"{self.block}[{i}]" for i in range(widths[0] * widths[1] - 1))

    def at(self, values: Values) -> Array:
        """Return its columns at the given conditions, shape (n, q): products of the lines and curves of both sides."""
        wetness, clay = (
            np.column_stack([CONDITIONS[n].standard(values[n]), _side(n).columns(values[n])]) for n in JOINT
        )
        return (wetness[:, :, None] * clay[:, None, :]).reshape(wetness.shape[0], -1)[:, 1:]


@cache
def _side(condition: str) -> PSpline:
    """Return the curve of one side of the surface."""
    curve = CONDITIONS[condition].curve
    return PSpline(curve.low, curve.high, SURFACE_PIECES, curve.usual)
