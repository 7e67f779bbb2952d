"""Factors by which figures are wrong if their unit is misread, and the recognition of one in a ratio."""

import math
from dataclasses import dataclass

from transforms.contracts.reason import Reason, reason
from transforms.contracts.units import UNITS

TOLERANCE = 0.08
"""Largest relative difference of a ratio from the factor of its cause (common practice, no source)."""


@dataclass(frozen=True)
class Misread:
    """Figures in one unit that were taken for figures in another.

    Attributes:
        unit: the unit of the file; empty for a misplaced decimal mark.
        taken_for: the unit that its figures were taken for.
        times: stored figure over true figure.
    """

    unit: str
    taken_for: str
    times: float

    @property
    def why(self) -> Reason:
        """The cause as a reason."""
        if not self.unit:
            return reason("decimal_misplaced", factor=self.times)
        return reason("unit_misread", unit=self.unit, taken_for=self.taken_for)


def _misread(unit: str, taken_for: str) -> Misread:
    return Misread(unit, taken_for, UNITS[taken_for].factor / UNITS[unit].factor)


DECIMAL = tuple(Misread("", "", times) for times in (0.01, 0.1, 10.0, 100.0))
MASS = tuple(
    _misread(*pair)
    for pair in (("kg", "t"), ("t", "kg"), ("lb", "kg"), ("kg", "lb"), ("short_ton", "t"), ("t", "short_ton"))
)
AREA_MASS = tuple(
    _misread(*pair)
    for pair in (("dt/ha", "t/ha"), ("t/ha", "dt/ha"), ("short_ton/acre", "t/ha"), ("t/ha", "short_ton/acre"))
)
LENGTH = tuple(_misread(*pair) for pair in (("in", "cm"), ("cm", "in"), ("mm", "cm"), ("cm", "mm")))
WORK = tuple(_misread(*pair) for pair in (("mph", "kmh"), ("kmh", "mph"), ("m/s", "kmh"), ("in", "cm")))
"""Speeds of logs and row spacings: they enter the area worked, and so the mass lifted."""


def recognise(ratio: float, misread: tuple[Misread, ...], tolerance: float = TOLERANCE) -> Misread | None:
    """Return the misread unit whose factor is nearest to a ratio; None if none is within a relative tolerance.

    Args:
        ratio: stored figure over true figure.
        misread: the units in question.
        tolerance: largest relative difference.

    >>> recognise(0.00101, MASS)
    Misread(unit='t', taken_for='kg', times=0.001)
    >>> recognise(1.45, MASS) is None
    True
    """
    if not 0 < ratio < math.inf:
        return None
    nearest = min(misread, key=lambda m: abs(math.log(ratio / m.times)))
    return nearest if abs(math.log(ratio / nearest.times)) <= math.log1p(tolerance) else None
