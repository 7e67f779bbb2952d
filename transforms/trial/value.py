"""Value of information of varying a setting, against its cost (Raiffa and Schlaifer 1961, from memory).

The saving g of a step is believed to be normal with mean m and standard deviation s. Known exactly, the step is made if
g is positive, else not; without that, it is made if m is positive. The difference of the two expectations is

    E max(g, 0) - max(m, 0) = s phi(m / s) - |m| Phi(-|m| / s)                                                 (36)

Data with error variance v leave some of s^2 open. The mean believed afterwards has, before the data are seen, the
variance s^4 / (s^2 + v), which takes the place of s^2 in (36).
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm


def value_of_information(mean: float, sd: float) -> float:
    """Return the value per tonne of knowing a saving before the decision, by (36); never negative.

    Args:
        mean: expected saving of the step, in the season's currency per tonne.
        sd: its standard deviation, or that of the mean believed after the data, in the same unit.

    >>> from scipy.integrate import quad
    >>> by_hand = quad(lambda g: max(g, 0.0) * norm.pdf(g, 0.05, 0.2), -2, 2, points=[0.0])[0] - 0.05
    >>> abs(value_of_information(0.05, 0.2) - by_hand) < 1e-9
    True
    >>> value_of_information(0.05, 0.0)
    0.0
    """
    if sd <= 0:
        return 0.0
    z = abs(mean) / sd
    return max(sd * float(norm.pdf(z)) - abs(mean) * float(norm.cdf(-z)), 0.0)


def preposterior_sd(sd: float, error_variance: float) -> float:
    """Return the standard deviation of the mean that will be believed after the data.

    Args:
        sd: standard deviation now.
        error_variance: error variance of the data, in the same unit squared.

    >>> preposterior_sd(0.2, 0.0), round(preposterior_sd(0.2, 0.04), 6)
    (0.2, 0.141421)
    """
    return float(np.sqrt(sd**4 / (sd**2 + error_variance))) if sd > 0 else 0.0


@dataclass(frozen=True)
class StepBelief:
    """Belief about the saving of one practical step of a setting.

    Attributes:
        gain_per_t: expected saving of a step in the better direction, in the season's currency per tonne.
        learnable_sd_per_t: standard deviation of the saving as far as a response measured in loads explains it.
        per_log: change of the saving with the log change of that response by the step.
        loss_per_t: mean additional cost of the levels varied against the value without variation, per tonne.
    """

    gain_per_t: float
    learnable_sd_per_t: float
    per_log: float
    loss_per_t: float


@dataclass(frozen=True)
class PairDesign:
    """Pairs of loads that vary a setting.

    Attributes:
        pairs: number of pairs.
        steps: practical steps between the two levels of a pair.
        pair_sd: standard deviation of a pair's difference, on the log scale of the response.
        load_t: soil-free mass of a load, t.
    """

    pairs: int
    steps: float
    pair_sd: float
    load_t: float

    @property
    def error_variance(self) -> float:
        """Error variance of the log change by one step, as estimated from the pairs."""
        return self.pair_sd**2 / (self.pairs * self.steps**2)


@dataclass(frozen=True)
class SeasonScale:
    """Size of what a better decision changes.

    Attributes:
        tonnes: wetness class -> soil-free beet still to be lifted in it, t.
        uptake: share of advised moves that machines make.
    """

    tonnes: dict[str, float]
    uptake: float


@dataclass(frozen=True)
class Worth:
    """Worth and cost of varying a setting, in the season's currency."""

    value: float
    cost: float

    @property
    def net(self) -> float:
        """Value less cost."""
        return self.value - self.cost


def worth_of(belief: StepBelief, design: PairDesign, tonnes: float, uptake: float) -> Worth:
    """Return the value of information of a number of pairs over the tonnes left, and the cost of lifting them.

    Args:
        belief: belief about the step.
        design: the pairs.
        tonnes: soil-free beet that the decision concerns, t.
        uptake: share of moves that machines make.
    """
    error = belief.per_log**2 * design.error_variance
    per_t = value_of_information(belief.gain_per_t, preposterior_sd(belief.learnable_sd_per_t, error))
    cost = max(belief.loss_per_t, 0.0) * 2 * design.pairs * design.load_t
    return Worth(per_t * tonnes * uptake, cost)
