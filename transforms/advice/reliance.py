"""Reliance on advice: what the season so far shows of its promises, and the probability of a move in that light."""

from dataclasses import dataclass

import polars as pl
from scipy.stats import norm

from transforms.arrays import to_float


@dataclass(frozen=True)
class Reliance:
    """Saving measured per unit promised: a saving is its promise times this slope.

    Attributes:
        slope: saving measured per unit promised.
        error: its standard error.
    """

    slope: float
    error: float

    def probability(self, by_fit: float) -> float:
        """Return the probability that a move saves: it has the sign of its promise if the slope is positive.

        Args:
            by_fit: probability by the fit alone.

        >>> round(Reliance(0.2, 0.2).probability(0.9), 3), round(Reliance(-0.2, 0.1).probability(0.9), 3)
        (0.773, 0.118)
        """
        is_positive = float(norm.cdf(self.slope / self.error))
        return is_positive * by_fit + (1 - is_positive) * (1 - by_fit)


def reliance(calibration: pl.DataFrame) -> Reliance | None:
    """Return the reliance on advice; None unless the season shows that moves promise more than twice what they save.

    Args:
        calibration: rows of `advice_calibration`.
    """
    slope = calibration.filter((pl.col("part") == "slope") & (pl.col("verdict_code") == "unreliable"))
    if not slope.height:
        return None
    low, high = (to_float(slope[end][0]) for end in ("lo95", "hi95"))
    return Reliance(to_float(slope["value"][0]), max(high - low, 1e-9) / (2 * 1.96))
