"""From how sure the tracing thinks it is to how sure it may be: measured on invented seasons set aside for it.

`tests/benchmarks/tracing.py --calibrate` measures the knots; its other seasons, never used here, show in METHODS.md
how well they hold.
"""

import numpy as np

KNOTS = (0.0, 0.3, 0.45, 0.55, 0.65, 0.75, 0.85, 0.92, 0.96, 1.0)
KINDS = {
    (True, False): (0.0, 0.27, 0.42, 0.51, 0.58, 0.64, 0.69, 0.82, 0.92, 0.92),
    (False, False): (0.0, 0.19, 0.32, 0.40, 0.48, 0.61, 0.69, 0.69, 0.73, 0.74),
    (True, True): (0.0, 0.27, 0.39, 0.46, 0.49, 0.54, 0.65, 0.78, 0.92, 0.92),
    (False, True): (0.0, 0.24, 0.36, 0.43, 0.46, 0.52, 0.63, 0.66, 0.72, 0.78),
}
"""(emptyings seen, machines contested) -> part of a load's mass that truly was where it was said to be, at each knot.

Where emptyings are not seen a load is spread about a tank's content besides. Machines are contested where several
shared the field and not every ticket names its own: what the rounds of messages settle on is surer than it should be.
"""
HEAP = 0.61
"""The same of a load from a heap, an even part of all that lay there."""


def calibrated(sure: float, *, emptyings_seen: bool = True, contested: bool = False, heap: bool = False) -> float:
    """Return the expected part of a load's mass that is where it is said to be, 0 to 1."""
    if heap:
        return HEAP * sure
    return float(np.interp(sure, KNOTS, KINDS[emptyings_seen, contested]))
