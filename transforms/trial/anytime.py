"""Evidence of a trial that may be looked at after any pair: an e-process from the differences of pairs.

The order within a pair was drawn by lot. Without an effect its difference d has either sign with probability 1/2,
given its size, so for any rate of betting

    E = product over pairs of exp(rate d) / cosh(rate d) = product of 2 / (1 + exp(-2 rate d))

is a martingale with mean 1, whatever the tails. It is never below exp(rate S - rate^2 V / 2), with S the sum and V the
sum of squares of the differences (de la Pena 1999, Ann. Probab. 27:537-564, from memory). The mean over fixed rates of
both signs is one too, and is at or above 1/alpha at any of all looks with probability alpha at most (Ville 1939). The
rates are the same for every trial and response, so the pairs may be measured in any order.

It serves to stop a trial early, nothing else: the effect, its interval and p are those of the fixed test.
"""

import numpy as np

from transforms.arrays import Array
from transforms.contracts.reason import Reason, reason

RATES = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Rates of betting, per unit of log scale. The best one is the effect over the variance of a difference: 0.5 for an
effect of 5 % with pairs that differ by 0.3, 10 for one of 10 % with pairs that differ by 0.1."""
STOP_FROM = 50.0
"""Evidence from which a trial may stop: reached without an effect in at most 1 of 50 trials."""
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
