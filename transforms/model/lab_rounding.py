"""Rounding step and floor of laboratory values, found in the values themselves."""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.interval_censoring import Intervals
from transforms.model.response_scale import ratio_scale

STEPS = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Candidate steps in percent of the delivered weight."""
ROUNDED_SHARE = 0.99
"""Minimum share of values that are multiples of a step."""
MIN_AT_FLOOR = 10
"""Minimum number of values at a floor."""
FLOOR_Z = 4.0
"""A floor has this many standard deviations more values than the next step."""
NARROW = 1e-4
"""Half width of the interval of an exact value, on the scale of the fit."""
MIN_ROUNDING_SD = 0.02
"""Root mean square error by rounding on the scale of the fit below which it is neglected: a fifth of the laboratory's
own error for a sample of 25 kg (common practice, no source)."""


@dataclass(frozen=True)
class LabRounding:
    """Rounding of laboratory values.

    Attributes:
        step: step in percent; None if the values are not rounded.
        floor: value stated for everything below it too, in percent; None without one.
        floor_share: share of values at the floor, 0 to 1.
    """

    step: float | None
    floor: float | None
    floor_share: float

    def intervals(self, values: Array) -> Intervals:
        """Return the intervals of z that values in percent were rounded from."""
        half = (self.step or 0.0) / 2
        low, high = ratio_scale(values - half), ratio_scale(values + half)
        at_floor = values <= (self.floor if self.floor is not None else -1.0)
        # A value that is exact is an interval too narrow to matter.
        exact = high - low < 2 * NARROW
        low, high = np.where(exact, low - NARROW, low), np.where(exact, high + NARROW, high)
        return Intervals(np.where(at_floor, -np.inf, low), high)


def lab_rounding(values: Array) -> LabRounding | None:
    """Return the rounding of values in percent; None if it is too fine to matter and there is no floor.

    Args:
        values: measured values, shape (n,).
    """
    step = next((s for s in STEPS if _is_multiple(values, s)), None)
    floor, share = _floor(values, step or STEPS[-1])
    error = 0.0 if step is None else _rounding_error(values, step)
    if floor is None and error < MIN_ROUNDING_SD:
        return None
    return LabRounding(step, floor, share)


def _is_multiple(values: Array, step: float) -> bool:
    """Return True if nearly all values are multiples of a step."""
    steps = values / step
    return bool(np.mean(np.abs(steps - np.round(steps)) < 1e-6) >= ROUNDED_SHARE)


def _rounding_error(values: Array, step: float) -> float:
    """Return the root mean square error of z by rounding to a step."""
    part = np.clip(values / 100, 1e-3, 1 - 1e-3)
    return float(np.sqrt(np.mean((step / 100 / np.sqrt(12) / (part * (1 - part))) ** 2)))


def _floor(values: Array, step: float) -> tuple[float | None, float]:
    """Return (lowest value, share of values there) if too many values are there for a tail; (None, 0) otherwise."""
    lowest = float(values.min())
    at, above = (int(np.sum(np.abs(values - lowest - k * step) < step / 2)) for k in (0, 1))
    if at < MIN_AT_FLOOR or at - above < FLOOR_Z * np.sqrt(at + above):
        return None, 0.0
    return lowest, at / values.size
