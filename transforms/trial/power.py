"""Power of a trial by its number of pairs, from laboratory error and the variation between loads of one visit.

A pair is two loads of one machine, field and day, one at each value, in random order. The difference of their logs of
dirt has variance 2 (s2 + v), with s2 the variance between loads of one visit and v the laboratory's. The test uses
random signs (analysis.py); its power is that of the paired t test, noncentral t with n - 1 degrees of freedom (checked
by simulation).
"""

import numpy as np
from scipy.stats import nct
from scipy.stats import t as student

ALPHA = 0.05
MIN_PAIRS = 6
"""With fewer pairs the two-sided sign test cannot reach p = .05: 2 / 2^5 = .0625."""
PLANNED_FROM = 8
"""Smallest planned number of pairs: with fewer sign patterns the t test does not approximate the power."""
MAX_PAIRS = 200


def pair_sd(residual_sd: float, lab_cv_at_25_kg: float, sample_kg: float) -> float:
    """Return the standard deviation of a pair's difference in log dirt.

    Args:
        residual_sd: residual standard deviation within visits, log scale.
        lab_cv_at_25_kg: coefficient of variation of the laboratory for a sample of 25 kg, a fraction.
        sample_kg: mass of a sample, kg.

    >>> round(pair_sd(0.2, 0.15, 25.0), 3)
    0.354
    """
    return float(np.sqrt(2 * (residual_sd**2 + lab_cv_at_25_kg**2 * 25.0 / sample_kg)))


def power_of(pairs: int, effect: float, sd: float) -> float:
    """Return the probability of detecting a true difference in log dirt, two-sided at 5 %.

    Args:
        pairs: number of pairs.
        effect: true difference in log dirt.
        sd: standard deviation of a pair's difference, log scale.

    >>> round(power_of(12, 0.2, 0.25), 2)
    0.71
    """
    df, noncentrality = pairs - 1, abs(effect) * np.sqrt(pairs) / sd
    # The number of sign patterns is finite: the level of the test is the largest even number of them within 5 %.
    level = np.floor(ALPHA * 2.0**pairs / 2) * 2 / 2.0**pairs
    critical = student.ppf(1 - level / 2, df)
    return float(nct.sf(critical, df, noncentrality) + nct.cdf(-critical, df, noncentrality))


def required_pairs(effect: float, sd: float, power: float) -> int | None:
    """Return the smallest number of pairs that reaches the power; None if more than 200 would be needed.

    Args:
        effect: true difference in log dirt.
        sd: standard deviation of a pair's difference, log scale.
        power: probability of detecting the difference, 0 to 1.

    >>> required_pairs(0.2, 0.25, 0.8)
    15
    """
    for pairs in range(PLANNED_FROM, MAX_PAIRS + 1):
        if power_of(pairs, effect, sd) >= power:
            return pairs
    return None


def detectable_effect(pairs: int, sd: float, power: float) -> float:
    """Return the smallest difference in log dirt that a number of pairs detects with the power.

    Args:
        pairs: number of pairs.
        sd: standard deviation of a pair's difference, log scale.
        power: probability of detecting the difference, 0 to 1.

    >>> round(detectable_effect(12, 0.25, 0.8), 3)
    0.222
    """
    low, high = 0.0, 20 * sd
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if power_of(pairs, middle, sd) < power else (low, middle)
    return high
