"""From how sure the tracing thinks it is to how sure it may be: measured on invented seasons set aside for it.

`tests/benchmarks/tracing.py --calibrate` measures the knots; its other seasons, never used here, show in METHODS.md
how well they hold.
"""

import numpy as np

KNOTS = (0.0, 0.3, 0.45, 0.55, 0.65, 0.75, 0.85, 0.92, 0.96, 1.0)
KINDS = {
    (True, False): (0.0, 0.28, 0.41, 0.51, 0.58, 0.63, 0.69, 0.81, 0.92, 0.92),
    (False, False): (0.0, 0.19, 0.32, 0.40, 0.48, 0.61, 0.67, 0.67, 0.74, 0.74),
    (True, True): (0.0, 0.25, 0.37, 0.42, 0.47, 0.54, 0.64, 0.75, 0.89, 0.89),
    (False, True): (0.0, 0.22, 0.30, 0.38, 0.42, 0.48, 0.57, 0.62, 0.69, 0.75),
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
