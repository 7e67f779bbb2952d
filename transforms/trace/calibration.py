"""From how sure the tracing thinks it is to how sure it may be: measured on invented seasons set aside for it.

`tests/benchmarks/tracing.py --calibrate` measures the knots; its other seasons, never used here, show in METHODS.md
how well they hold.
"""

import numpy as np

KNOTS = (0.0, 0.3, 0.45, 0.55, 0.65, 0.75, 0.85, 0.92, 0.96, 1.0)
SEEN = (0.0, 0.27, 0.41, 0.47, 0.55, 0.65, 0.76, 0.86, 0.93, 0.97)
"""Part of a load's mass that truly was where it was said to be, at each knot, where emptyings are seen."""
UNSEEN = (0.0, 0.25, 0.34, 0.38, 0.44, 0.56, 0.68, 0.75, 0.79, 0.83)
"""The same where they are not: then a load is spread about a tank's content besides."""
HEAP = 0.65
"""The same of a load from a heap, an even part of all that lay there."""


def calibrated(sure: float, *, emptyings_seen: bool = True, heap: bool = False) -> float:
    """Return the expected part of a load's mass that is where it is said to be, 0 to 1."""
    if heap:
        return HEAP * sure
    return float(np.interp(sure, KNOTS, SEEN if emptyings_seen else UNSEEN))
