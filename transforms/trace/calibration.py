"""Calibration of the trace quality, measured on simulated seasons reserved for it.

`tests/benchmarks/tracing.py --calibrate` measures the knots. Its other seasons are never used here; the
calibration error on them is in tests/validation/RESULTS.md.
"""

import numpy as np

KNOTS = (0.0, 0.3, 0.45, 0.55, 0.65, 0.75, 0.85, 0.92, 0.96, 1.0)
KINDS = {
    (True, False): (0.0, 0.27, 0.42, 0.51, 0.58, 0.64, 0.69, 0.82, 0.92, 0.92),
    (False, False): (0.0, 0.19, 0.32, 0.40, 0.48, 0.61, 0.69, 0.69, 0.73, 0.74),
    (True, True): (0.0, 0.27, 0.39, 0.46, 0.49, 0.54, 0.65, 0.78, 0.92, 0.92),
    (False, True): (0.0, 0.24, 0.36, 0.43, 0.46, 0.52, 0.63, 0.66, 0.72, 0.78),
}
"""(emptyings seen, machines contested) -> fraction of a load's mass that was traced correctly, at each knot.

If emptyings are not seen, a load is also spread over about one tankful. Machines are contested if several shared the
field and not every ticket names a machine: the converged messages are then overconfident.
"""
HEAP = 0.61
"""The same fraction for a load from a heap, which is traced evenly to all mass that lay there."""


def calibrate_quality(
    sure: float, *, emptyings_seen: bool = True, contested: bool = False, heap: bool = False
) -> float:
    """Return the expected fraction of a load's mass that is traced correctly, 0 to 1.

    Args:
        sure: the tracing's own, uncalibrated estimate of that fraction.
        emptyings_seen: the emptyings of all machines concerned were seen.
        contested: several machines shared the field and not every ticket names one.
        heap: the load was taken from a heap.
    """
    if heap:
        return HEAP * sure
    return float(np.interp(sure, KNOTS, KINDS[emptyings_seen, contested]))
