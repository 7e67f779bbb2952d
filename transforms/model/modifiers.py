"""Modifiers of the settings' effects: standardised conditions that multiply a setting's steps."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.config.settings_catalogue import Setting
from transforms.mixed_model.p_spline import PSpline
from transforms.model.condition_terms import CONDITIONS

WETNESS_BENDS = PSpline(0.0, 1.0, 3)
"""Curve of a setting's effect over wetness."""
ROOT_MASS = "root mass"
MODIFYING = {
    "wetness": "topsoil_wetness",
    "clay": "clay_pct",
    "temperature": "air_temp_c",
    "yield": "yield_t_ha",
    ROOT_MASS: "root_mass_kg",
}
"""Modifier -> condition."""
OF_NAMED_SETTINGS = (ROOT_MASS,)
"""Modifiers of the settings that name them; the others modify every setting."""


@dataclass(frozen=True)
class Modifier:
    """One modifier, with centre 0 and scale 1.

    Attributes:
        name: `wetness`, `wetness squared`, `clay`, `temperature`, `yield`, `root mass`, `wetness x clay` or
            `wetness bend`.
        number: its number if several modifiers have the name, else None.
    """

    name: str
    number: int | None = None

    @property
    def label(self) -> str:
        """Name in tables, unique among modifiers."""
        return self.name if self.number is None else f"{self.name} {self.number}"

    def modifies(self, setting: Setting) -> bool:
        """Return True if the effect of the setting may depend on it."""
        return self.name not in OF_NAMED_SETTINGS or self.name in setting.by

    def values(self, conditions: Mapping[str, Array]) -> Array:
        """Return its values, shape (n,).

        Args:
            conditions: conditions of the rows, each of shape (n,).
        """
        if self.number is not None:
            return WETNESS_BENDS.columns(np.clip(conditions["topsoil_wetness"], 0, 1))[:, self.number]
        if self.name == "wetness squared":
            # The second Legendre polynomial on 0..1, scaled to variance one there.
            t = 2 * np.clip(conditions["topsoil_wetness"], 0, 1) - 1
            return np.asarray(np.sqrt(5) * (3 * t**2 - 1) / 2)
        if self.name == "wetness x clay":
            return _standard("wetness", conditions) * _standard("clay", conditions)
        return _standard(self.name, conditions)


def _standard(name: str, conditions: Mapping[str, Array]) -> Array:
    """Return the standardised condition of a modifier."""
    condition = MODIFYING[name]
    return CONDITIONS[condition].standard(conditions[condition])


def modifiers_of(names: Iterable[str]) -> tuple[Modifier, ...]:
    """Return the modifiers with these names; `wetness bend` names several."""
    out: list[Modifier] = []
    for name in names:
        numbers = range(WETNESS_BENDS.width) if name == "wetness bend" else (None,)
        out += [Modifier(name, number) for number in numbers]
    return tuple(out)
