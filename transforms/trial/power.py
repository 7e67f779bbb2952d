"""How many pairs of loads a trial takes for the wanted power, from the lab's noise and the fleet's own.

A pair is two loads of one machine, field and day, one at each setting, their order drawn by lot. The difference of
their logs of dirt has variance 2 (s2 + v), s2 what loads of one visit differ by and v the lab's. The test draws signs
(read.py); its power is that of the paired t test, noncentral t with n - 1 degrees of freedom (checked by simulation).
"""

import numpy as np
from scipy.stats import nct
from scipy.stats import t as student

ALPHA = 0.05
FEWEST_PAIRS = 6
"""Two-sided, signs of fewer pairs than this cannot reach p = .05: 2 / 2^5 = .0625."""
PLANNED_FROM = 8
"""Trials are planned with no fewer pairs: below, signs are too few for the t test to tell their power."""
MOST_PAIRS = 200


def pair_sd(residual_sd: float, lab_cv_at_25_kg: float, sample_kg: float) -> float:
    """Return the standard deviation of a pair's difference in log dirt."""
    return float(np.sqrt(2 * (residual_sd**2 + lab_cv_at_25_kg**2 * 25.0 / sample_kg)))


def power_of(pairs: int, effect: float, sd: float) -> float:
    """Return the chance to find a true difference of `effect` in log dirt with that many pairs, two-sided at 5 %."""
    df, away = pairs - 1, abs(effect) * np.sqrt(pairs) / sd
    # Signs come in whole patterns: the test's level is the largest even number of them within 5 %.
    level = np.floor(ALPHA * 2.0**pairs / 2) * 2 / 2.0**pairs
    edge = student.ppf(1 - level / 2, df)
    return float(nct.sf(edge, df, away) + nct.cdf(-edge, df, away))


def pairs_for(effect: float, sd: float, power: float) -> int | None:
    """Return the fewest pairs that reach the power; None where more than 200 would be needed."""
    for pairs in range(PLANNED_FROM, MOST_PAIRS + 1):
        if power_of(pairs, effect, sd) >= power:
            return pairs
    return None


def least_found(pairs: int, sd: float, power: float) -> float:
    """Return the smallest difference in log dirt that so many pairs find with the power."""
    low, high = 0.0, 20 * sd
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if power_of(pairs, middle, sd) < power else (low, middle)
    return high
