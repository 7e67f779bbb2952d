"""The condition side of a model: curves, the wetness x clay surface, and what multiplies the settings.

Every condition has a centre, a scale and a range that stand here and not on the data, so that a coefficient means the
same in every season and from one day to the next. Curves are a straight line and shrunk departures from it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.mixed_model.p_spline import PSpline

Array = NDArray[np.float64]
Values = Mapping[str, Array]


@dataclass(frozen=True)
class Condition:
    """One condition: the value that counts as usual, the change that counts as one, and where its curve lies."""

    centre: float
    scale: float
    curve: PSpline

    def standard(self, x: Array) -> Array:
        """Return x in scales from the centre; beyond the curve's range it stands at the edge."""
        return np.asarray((np.clip(x, self.curve.low, self.curve.high) - self.centre) / self.scale)


CONDITIONS = {
    "topsoil_wetness": Condition(0.5, 0.25, PSpline(0.0, 1.0, 6, (0.1, 0.9))),
    "clay_pct": Condition(22.0, 12.0, PSpline(0.0, 70.0, 7, (5.0, 50.0))),
    "air_temp_c": Condition(9.0, 5.0, PSpline(-12.0, 30.0, 7, (0.0, 18.0))),
    "yield_t_ha": Condition(75.0, 15.0, PSpline(25.0, 140.0, 6, (50.0, 100.0))),
    "campaign_day": Condition(45.0, 30.0, PSpline(0.0, 180.0, 12, (0.0, 90.0))),
}
SURFACE_PIECES = 3
"""Pieces of either side of the wetness x clay surface."""


WETNESS_BENDS = PSpline(0.0, 1.0, 3)
"""How a setting's effect may bend over wetness."""


def modifiers(values: Values, names: tuple[str, ...]) -> dict[str, Array]:
    """Return what the settings' effects may change with: label -> its values about 0 and about one wide, shape (n,).

    Args:
        values: conditions of the rows.
        names: of `wetness`, `wetness squared`, `clay`, `temperature`, `yield`, `wetness x clay`, `wetness bend`; the
            last are several.
    """
    standard = {n: CONDITIONS[c].standard(values[c]) for n, c in MODIFYING.items() if c in values}
    out: dict[str, Array] = {}
    for name in names:
        if name == "wetness bend":
            bends = WETNESS_BENDS.columns(np.clip(values["topsoil_wetness"], 0, 1)).T
            out |= {f"wetness bend {i}": column for i, column in enumerate(bends)}
        elif name == "wetness squared":
            # The second Legendre polynomial on 0..1, of variance one there.
            t = 2 * np.clip(values["topsoil_wetness"], 0, 1) - 1
            out[name] = np.asarray(np.sqrt(5) * (3 * t**2 - 1) / 2)
        elif name == "wetness x clay":
            out[name] = standard["wetness"] * standard["clay"]
        else:
            out[name] = standard[name]
    return out


MODIFYING = {"wetness": "topsoil_wetness", "clay": "clay_pct", "temperature": "air_temp_c", "yield": "yield_t_ha"}


def condition_lines(values: Values, names: tuple[str, ...], *, surface: bool) -> tuple[Array, list[str]]:
    """Return the straight lines of the conditions, shape (n, k), and their labels."""
    lines = {n: CONDITIONS[n].standard(values[n]) for n in names}
    if surface:
        lines["wetness x clay"] = lines["topsoil_wetness"] * lines["clay_pct"]
    return np.column_stack(list(lines.values())), list(lines)


def condition_curves(values: Values, names: tuple[str, ...], *, surface: bool) -> dict[str, Array]:
    """Return the departures of each condition's curve from its line, label -> shape (n, q), and the surface's."""
    out = {f"curve of {n}": CONDITIONS[n].curve.columns(values[n]) for n in names}
    if surface:
        sides = []
        for n in ("topsoil_wetness", "clay_pct"):
            c = CONDITIONS[n]
            spline = PSpline(c.curve.low, c.curve.high, SURFACE_PIECES, c.curve.usual)
            sides.append(np.column_stack([c.standard(values[n]), spline.columns(values[n])]))
        both = (sides[0][:, :, None] * sides[1][:, None, :]).reshape(sides[0].shape[0], -1)
        out["surface of wetness and clay"] = both[:, 1:]
    return out
