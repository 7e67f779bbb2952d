"""Randomisation inference from the differences of pairs, with or without the doses that the pairs received.

The order within pairs was randomised. If arm B changes the response by beta times the dose x_i of the pair, the
residual d_i - beta x_i would have had the opposite sign in the other order, whatever the doses. So beta is rejected if
the sum of the residuals is farther from zero than that of most of their sign patterns (Fisher 1935, The Design of
Experiments; with doses, where the planned arm is an instrument: Imbens and Rosenbaum 2005, J. R. Stat. Soc. A
168:109-126, from memory). Doses of one give the effect of the planned arm.

The effects that are not rejected have a closed form. A pattern divides the pairs in two parts, and its sum is at least
as far from zero exactly if beta is between the ratios sum(d) / sum(x) of the two parts.
"""

import numpy as np

from transforms.arrays import Array
from transforms.trial.power import ALPHA

EXACT_PAIRS = 16
"""Up to this number of pairs all sign patterns are enumerated (65,536, 8 MB); beyond it, a fixed random sample."""
PATTERNS, SEED = 20_000, 20_251_003
TIE = 1e-12
"""Sums that differ by less are equal."""


def signs(pairs: int) -> Array:
    """Return sign patterns, shape (patterns, pairs): all of them, or a fixed random sample if there are too many.

    >>> signs(2).tolist()
    [[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0], [1.0, 1.0]]
    """
    if pairs <= EXACT_PAIRS:
        bits = (np.arange(2**pairs)[:, None] >> np.arange(pairs)) & 1
        return np.asarray(2.0 * bits - 1)
    drawn = np.random.default_rng(SEED).choice([-1.0, 1.0], (PATTERNS, pairs))
    return np.vstack([np.ones(pairs), drawn])


def p_value(differences: Array, patterns: Array) -> float:
    """Return the two-sided p-value of no effect.

    Args:
        differences: differences of pairs, log scale, shape (pairs,).
        patterns: sign patterns, shape (patterns, pairs).
    """
    observed = abs(float(differences.mean()))
    return float(np.mean(np.abs(patterns @ differences) / differences.size >= observed - TIE))


def interval(differences: Array, patterns: Array, doses: Array | None = None) -> tuple[float, float]:
    """Return the ends of the interval of effects per unit of dose that are not rejected at 5 %, log scale.

    A pattern that divides the pairs into parts whose doses have opposite signs rejects no effect here, which makes the
    interval wider, never narrower; an end is infinite if there are too many of them.

    Args:
        differences: differences of pairs, log scale, shape (pairs,).
        patterns: sign patterns, shape (patterns, pairs).
        doses: dose of each pair, with a sum above zero, shape (pairs,); None for ones.

    >>> low, high = interval(np.array([0.1, 0.2, 0.15, 0.3, 0.05, 0.2]), signs(6))
    >>> round(low, 6), round(high, 6)
    (0.05, 0.3)
    """
    x = np.ones(differences.size) if doses is None else doses
    sums, dose_sums = patterns @ differences, patterns @ x
    ratios = []
    is_split = np.ones(len(patterns), dtype=np.bool_)
    for side in (1.0, -1.0):
        dose = (x.sum() + side * dose_sums) / 2
        is_split &= dose > TIE * x.sum()
        ratios.append((differences.sum() + side * sums) / 2 / np.where(dose == 0, np.nan, dose))
    low = np.where(is_split, np.minimum(*ratios), -np.inf)
    high = np.where(is_split, np.maximum(*ratios), np.inf)
    beyond = int(np.floor(ALPHA * len(patterns) + 1e-9))
    return float(np.partition(low, beyond)[beyond]), float(-np.partition(-high, beyond)[beyond])
