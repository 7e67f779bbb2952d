"""Operators of the demo machines: their habits, and settings that react to the conditions.

Operators lift too deep in wet soil and too shallow in hard soil, and clean more intensely in wet, heavy or (for reasons
not logged) dirty conditions, so that naive correlations mislead. In addition, they change a setting at random about
once an hour.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.district import MACHINE_TYPES, MachineType

Array = NDArray[np.float64]

REACTION = {
    "share_depth_cm": (2.0, -1.0, -2.0),
    "ground_speed_kmh": (-1.5, -2.0, -2.0),
    "intake_roller_speed_pct": (2.0, 0.0, 2.0),
    "transfer_web_speed_pct": (1.0, 2.0, 2.0),
    "cleaner_1_speed_rpm": (4.0, 5.0, 6.0),
    "cleaner_2_speed_rpm": (4.0, 5.0, 6.0),
    "cleaner_3_speed_rpm": (3.0, 4.0, 5.0),
    "cleaner_4_speed_rpm": (3.0, 4.0, 5.0),
    "separator_1_height_mm": (2.0, 2.0, 3.0),
    "separator_2_height_mm": (2.0, 2.0, 3.0),
}
"""Setting -> practical steps per unit deviation of (wetness, clay fraction, hidden log dirt) from typical values.

The depth is a habit of the trade: shares sink into soft soil and ride up on hard soil, and operators let them.
"""


@dataclass(frozen=True)
class Operator:
    """A machine with the habits of its operator.

    Attributes:
        machine: index of the machine.
        machine_type: its type.
        habits: the usual value of each setting.
    """

    machine: int
    machine_type: MachineType
    habits: dict[str, float]

    @property
    def width_m(self) -> float:
        """Return the working width in metres."""
        return float(self.machine_type.rows) * float(self.machine_type.row_spacing_cm) / 100


def hire_operator(rng: np.random.Generator, machine: int, type_name: str) -> Operator:
    """Return an operator with random habits around the typical values of the machine's type."""
    machine_type = MACHINE_TYPES[type_name]
    return Operator(machine, machine_type, {s: rng.normal(mean, sd) for s, (mean, sd) in machine_type.settings.items()})


def _direction_over_time(rng: np.random.Generator, seen: tuple[float, float, float], seconds: Array) -> Array:
    """Return 1 while a part runs in reverse, which operators choose too late: only when it is very wet or dirty."""
    wetness, clay, hidden = seen
    reversed_share = 1 / (1 + np.exp(-(8.0 * (wetness - 0.7) + 4.0 * (clay - 0.24) + 2.0 * hidden)))
    hours = (seconds[-1] - seconds[0]) / 3600
    changes = np.sort(rng.uniform(0, hours * 3600, rng.poisson(hours / 1.1)))
    is_reversed = rng.random(changes.size + 1) < np.clip(reversed_share, 0.15, 0.85)
    return np.asarray(is_reversed[np.searchsorted(changes, seconds - seconds[0])], dtype=np.float64)


def settings_over_time(
    rng: np.random.Generator, operator: Operator, catalogue: Catalogue, seen: tuple[float, float, float], seconds: Array
) -> dict[str, Array]:
    """Return each setting over a visit: habit, reaction to the conditions, and random hourly changes."""
    wetness, clay, hidden = seen
    settings = {}
    hours = (seconds[-1] - seconds[0]) / 3600
    for name, habit in operator.habits.items():
        setting = catalogue[name]
        a_wet, a_clay, a_hidden = REACTION.get(name, (0.0, 0.0, 0.0))
        reaction = a_wet * (wetness - 0.5) + a_clay * (clay - 0.24) + a_hidden * hidden + rng.normal(0, 0.6)
        changes = np.sort(rng.uniform(0, hours * 3600, rng.poisson(hours / 1.1)))
        random_steps = rng.normal(0, 0.95, changes.size + 1)
        steps = reaction + random_steps[np.searchsorted(changes, seconds - seconds[0])]
        value = habit + steps * setting.step
        settings[name] = np.clip(value, setting.low * 1.02 + 0.01, setting.high * 0.98)
    settings["ground_speed_kmh"] = np.clip(settings["ground_speed_kmh"], 3.0, 9.0)
    settings["share_depth_cm"] = np.clip(settings["share_depth_cm"], 4.0, 11.0)
    directions = operator.machine_type.directions
    # Generators of their own, so that a season with directions draws the same otherwise.
    for name, own in zip(directions, rng.spawn(len(directions)), strict=True):
        settings[name] = _direction_over_time(own, seen, seconds)
    return settings
