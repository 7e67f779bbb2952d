"""Parts fitted to the cleaning stages over the season: crews change them late, some days after the soil has turned."""

from dataclasses import dataclass

import numpy as np

from transforms.demo.mechanics import Array

TINE_SHARE = {"smooth bars": 0.0, "mixed": 0.5, "tines": 1.0}
"""Parts as the machine list names them -> share of tines."""
WET, DRY = 0.60, 0.45
"""Mean topsoil wetness of the fleet's fields that makes crews want tines, and smooth bars."""


@dataclass(frozen=True)
class FittedParts:
    """Parts of one machine from a day on."""

    machine: int
    from_day: int
    parts: str


def fitted_parts(wetness_by_day: Array, machines: int) -> list[FittedParts]:
    """Return the parts of each machine in order of time; its first row is valid from before the season.

    A crew fits tines once the soil has been wet for some days, and smooth bars once it has been dry for as many; how
    many days differs by crew. Every third crew never changes its mixed parts.

    Args:
        wetness_by_day: mean topsoil wetness of the fields in the middle of each day, shape (days,).
        machines: size of the fleet.
    """
    wants = np.where(wetness_by_day > WET, 1, np.where(wetness_by_day < DRY, -1, 0))
    out: list[FittedParts] = []
    for machine in range(machines):
        parts = "mixed" if machine % 3 else "smooth bars"
        out.append(FittedParts(machine, 0, parts))
        if machine % 3 == 1:
            continue
        patience, since, wanted = 2 + machine % 4, 0, 0
        for day, want in enumerate(wants):
            since, wanted = (since + 1, wanted) if want in (0, wanted) else (0, want)
            chosen = {1: "tines", -1: "smooth bars"}.get(wanted, parts)
            if since >= patience and chosen != parts:
                parts = chosen
                out.append(FittedParts(machine, day, parts))
    return out


def tines_by_day(fitted: list[FittedParts], machines: int, days: int) -> Array:
    """Return the share of tines by machine and day, shape (machines, days)."""
    out = np.empty((machines, days))
    for row in fitted:
        out[row.machine, row.from_day :] = TINE_SHARE[row.parts]
    return out
