"""Condition terms of the model: curves, the wetness x clay surface, and modifiers of the settings' effects.

Every condition has a fixed centre, scale and range that do not depend on the data, so that a coefficient has the same
meaning in every season and on every day. A curve is a straight line and penalised departures from it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.p_spline import PSpline

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
    "yield_t_ha": Condition(75.0, 15.0, PSpline(25.0, 140.0, 6, (50.0, 100.0))),
    "campaign_day": Condition(45.0, 30.0, PSpline(0.0, 180.0, 12, (0.0, 90.0))),
}
SURFACE_PIECES = 3
"""Intervals of the wetness x clay surface in each direction."""
WETNESS_BENDS = PSpline(0.0, 1.0, 3)
"""Curve of a setting's effect over wetness."""
MODIFYING = {"wetness": "topsoil_wetness", "clay": "clay_pct", "temperature": "air_temp_c", "yield": "yield_t_ha"}
"""Modifier -> condition."""


def modifiers(values: Values, names: tuple[str, ...]) -> dict[str, Array]:
    """Return the modifiers of the settings' effects: label -> values with centre 0 and scale 1, shape (n,).

    Args:
        values: conditions of the rows.
        names: any of `wetness`, `wetness squared`, `clay`, `temperature`, `yield`, `wetness x clay`, `wetness bend`;
            the last gives several modifiers.
    """
    standard = {n: CONDITIONS[c].standard(values[c]) for n, c in MODIFYING.items() if c in values}
    out: dict[str, Array] = {}
    for name in names:
        if name == "wetness bend":
            bends = WETNESS_BENDS.columns(np.clip(values["topsoil_wetness"], 0, 1)).T
            out |= {f"wetness bend {i}": column for i, column in enumerate(bends)}
        elif name == "wetness squared":
            # The second Legendre polynomial on 0..1, scaled to variance one there.
            t = 2 * np.clip(values["topsoil_wetness"], 0, 1) - 1
            out[name] = np.asarray(np.sqrt(5) * (3 * t**2 - 1) / 2)
        elif name == "wetness x clay":
            out[name] = standard["wetness"] * standard["clay"]
        else:
            out[name] = standard[name]
    return out


def condition_lines(values: Values, names: tuple[str, ...], *, surface: bool) -> tuple[Array, list[str]]:
    """Return the straight lines of the conditions, shape (n, k), and their labels.

    Args:
        values: conditions of the rows.
        names: conditions in the model.
        surface: True to include the product of wetness and clay.
    """
    lines = {n: CONDITIONS[n].standard(values[n]) for n in names}
    if surface:
        lines["wetness x clay"] = lines["topsoil_wetness"] * lines["clay_pct"]
    return np.column_stack(list(lines.values())), list(lines)


def condition_curves(values: Values, names: tuple[str, ...], *, surface: bool) -> dict[str, Array]:
    """Return the columns of each condition's curve without its line: label -> shape (n, q).

    Args:
        values: conditions of the rows.
        names: conditions in the model.
        surface: True to include the columns of the wetness x clay surface.
    """
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
