"""Causes of an offset between clocks: a clock is certainly wrong only if it reports events in an impossible order.

A queue at a weighbridge and a weighbridge clock that is ahead shift every ticket of the site alike; so do a machine
clock and the habits of the trucks that serve the machine. The size of an offset does not distinguish them.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FASTEST_MIN_PER_KM = 0.75
"""A loaded truck is not faster than 80 km/h (common practice, no source)."""
CLOCK, QUEUE_OR_CLOCK, HAUL_OR_CLOCK = "clock", "queue_or_clock", "haul_or_clock"


def offset_cause(kind: str, slack_min: Array, left_min: Array, var: Array) -> str:
    """Return the cause code of the offset of a site or a machine.

    Args:
        kind: `site` or `machine`.
        slack_min: minutes from the earliest possible arrival of the loads of each sample to their weighing.
        left_min: minutes from the emptying of the tank to the departure on the ticket.
        var: variance of each sample, min^2; a NaN in either series marks a sample without evidence.

    Returns:
        `clock` if the median of either series is negative with 97.5 % certainty, else the code of the possible causes.
    """
    if _is_negative(slack_min, var) or _is_negative(left_min, var):
        return CLOCK
    return QUEUE_OR_CLOCK if kind == "site" else HAUL_OR_CLOCK


def _is_negative(minutes: Array, var: Array) -> bool:
    """Return True if the upper end of the 95 % interval of the median is below zero."""
    known = np.isfinite(minutes)
    if not known.any():
        return False
    sd = float(np.sqrt(np.pi / 2 / np.sum(1 / var[known])))  # of a median
    return float(np.median(minutes[known])) + 1.96 * sd < 0
