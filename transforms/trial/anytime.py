"""Evidence of a trial that may be looked at after any pair: an e-process from the differences of pairs.

The order within a pair was drawn by lot. Without an effect its difference d has either sign with probability 1/2,
given its size, so for any rate of betting

    E = product over pairs of exp(rate d) / cosh(rate d) = product of 2 / (1 + exp(-2 rate d))

is a martingale with mean 1, whatever the tails. It is never below exp(rate S - rate^2 V / 2), with S the sum and V the
sum of squares of the differences (de la Pena 1999, Ann. Probab. 27:537-564, from memory). The mean over fixed rates of
both signs is one too, and is at or above 1/alpha at any of all looks with probability alpha at most (Ville 1939). The
rates are the same for every trial and response, so the pairs may be measured in any order.

The effects b whose residuals d - b do not reach evidence of 1/0.05 form an interval that covers the true effect at all
looks together with probability 0.95 at least, also after an early stop. It is wider than that of the fixed test, which
counts once, at the end.
"""

import numpy as np

from transforms.arrays import Array
from transforms.contracts.reason import Reason, reason
from transforms.trial.power import ALPHA

RATES = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Rates of betting, per unit of log scale. The best one is the effect over the variance of a difference: 0.5 for an
effect of 5 % with pairs that differ by 0.3, 10 for one of 10 % with pairs that differ by 0.1."""
STOP_FROM = 50.0
"""Evidence from which a trial may stop: reached without an effect in at most 1 of 50 trials."""
HALVINGS = 60
"""Bisections of an end of the interval."""
MAY_STOP, CARRY_ON, ENDED = reason("trial_may_stop"), reason("trial_carry_on"), reason("trial_ended")


def e_process(differences: Array) -> Array:
    """Return the evidence against no effect after each pair, shape as `differences`.

    Args:
        differences: differences of pairs, log scale; the last axis is the order of the pairs.

    >>> e_process(np.zeros(3)).tolist()
    [1.0, 1.0, 1.0]
    """
    total = np.zeros(differences.shape)
    for rate in (sign * r for r in RATES for sign in (1.0, -1.0)):
        total += np.exp(np.cumsum(np.log(2.0) - np.logaddexp(0.0, -2.0 * rate * differences), axis=-1))
    return total / (2 * len(RATES))


def anytime_interval(differences: Array) -> tuple[float, float]:
    """Return the ends of the interval of effects that may be looked at after any pair, log scale.

    An end is where the rates of one sign alone reach the evidence: they fall from 2^n / 2 to zero as the effect grows,
    so the end is unique, and the interval holds all effects that the evidence does not reject. Both ends are infinite
    with fewer than 6 pairs, whose evidence cannot suffice.

    Args:
        differences: differences of pairs, log scale, shape (pairs,).

    >>> low, high = anytime_interval(np.full(12, 0.1))
    >>> low < 0.1 < high, round(low + high, 6)
    (True, 0.2)
    >>> anytime_interval(np.full(5, 0.1))
    (-inf, inf)
    """
    low = _lower_end(differences)
    return low, -_lower_end(-differences)


def _lower_end(differences: Array) -> float:
    """Return the largest effect that the positive rates alone reject; minus infinity if there is none."""
    if 2.0**differences.size / 2 <= 1 / ALPHA:
        return -np.inf
    reach = 40.0 / min(RATES)
    low, high = float(differences.min()) - reach, float(differences.max())
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if _one_sided(differences - middle) >= 1 / ALPHA else (low, middle)
    return low


def _one_sided(residuals: Array) -> float:
    """Return the share of the positive rates in the evidence of all pairs."""
    sums = (float(np.sum(np.log(2.0) - np.logaddexp(0.0, -2.0 * r * residuals))) for r in RATES)
    return float(np.sum(np.exp(np.fromiter(sums, dtype=np.float64)))) / (2 * len(RATES))


def stopping_reason(e_value: float | None, pairs: int, planned: int) -> Reason:
    """Return if a trial may stop early.

    Args:
        e_value: evidence after the pairs measured; None if there is none yet.
        pairs: number of pairs measured.
        planned: number of pairs planned.
    """
    if pairs >= planned:
        return ENDED
    return MAY_STOP if e_value is not None and e_value >= STOP_FROM else CARRY_ON
