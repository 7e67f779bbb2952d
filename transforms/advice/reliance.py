"""Reliance on advice: what the season so far shows of its promises, and the probability of a move in that light.

The saving of a move is its promise times the slope b_j of its setting. Slopes differ between settings, because a factor
that no log records is mistaken for the effect of one setting and not of another:

    b^_j ~ N(b_j, e_j^2),  b_j ~ N(mu, t^2),  mu flat,  t ~ half-Cauchy(A)                                     (31b)

averaged over t on a grid; a setting without a slope has b ~ N(mu, t^2) (Rubin 1981; half-Cauchy, Gelman 2006; both from
memory). A saving has the sign of its promise if b_j is positive, so with Q_j = P(b_j > 0) the probability P by the fit
becomes Q_j P + (1 - Q_j) (1 - P).
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import norm

from transforms.arrays import Array
from transforms.outcome.setting_slopes import PART

USUAL_SPREAD = 0.5
"""A of (31b): slopes of settings seldom differ by more than a promise that is half or one and a half times right
(assumption)."""
SPREAD_GRID = np.exp(np.linspace(np.log(0.01), np.log(20.0), 61))
"""Values of t, saving measured per unit promised."""
SMALLEST_ERROR = 1e-9


@dataclass(frozen=True)
class SpreadMixture:
    """Posterior of slopes for each value of t.

    Attributes:
        weight: probability of each value of t, shape (g,).
        mean: mean of each slope and of a new one, shape (g, k + 1).
        sd: their standard deviations, shape (g, k + 1).
    """

    weight: Array
    mean: Array
    sd: Array

    def positive(self) -> Array:
        """Return the probability that each slope and a new one are positive, shape (k + 1,)."""
        return np.asarray(self.weight @ norm.cdf(self.mean / self.sd))


def mix_spreads(estimates: Array, errors: Array, usual: float = USUAL_SPREAD) -> SpreadMixture:
    """Return the posterior (31b).

    Args:
        estimates: b^, shape (k,).
        errors: e, shape (k,).
        usual: A.
    """
    t = SPREAD_GRID[:, None]
    w = 1 / (errors**2 + t**2)
    total = w.sum(axis=1)
    mu = (w @ estimates) / total
    log_p = (np.log(w).sum(axis=1) - np.log(total) - (w * (estimates - mu[:, None]) ** 2).sum(axis=1)) / 2
    # The grid is even in log t, so the density of t is multiplied by t.
    log_p += np.log(SPREAD_GRID) - np.log1p((SPREAD_GRID / usual) ** 2)
    p = np.exp(log_p - log_p.max())
    pull = errors**2 * w
    mean = np.column_stack([(1 - pull) * estimates + pull * mu[:, None], mu])
    variance = np.column_stack([(1 - pull) * errors**2 + pull**2 / total[:, None], 1 / total + SPREAD_GRID**2])
    return SpreadMixture(p / p.sum(), mean, np.sqrt(variance))


@dataclass(frozen=True)
class Reliance:
    """Probability that a saving has the sign of its promise.

    Attributes:
        by_setting: setting -> that probability.
        other: that of a setting whose moves have not been compared with promises.
    """

    by_setting: dict[str, float]
    other: float

    def probability(self, by_fit: float, setting: str) -> float:
        """Return the probability that a move of a setting saves.

        Args:
            by_fit: probability by the fit alone.
            setting: the setting.

        >>> known = Reliance({"share_depth_cm": 0.8}, 0.5)
        >>> round(known.probability(0.9, "share_depth_cm"), 3), known.probability(0.9, "share_drive_pct")
        (0.74, 0.5)
        """
        kept = self.by_setting.get(setting, self.other)
        return kept * by_fit + (1 - kept) * (1 - by_fit)


def reliance(calibration: pl.DataFrame) -> Reliance | None:
    """Return the reliance on advice; None unless the season shows that moves promise more than twice what they save.

    If no setting has a slope of its own, that of all moves is the only one known.

    Args:
        calibration: rows of `advice_calibration`.
    """
    overall = calibration.filter((pl.col("part") == "slope") & (pl.col("verdict_code") == "unreliable"))
    if not overall.height:
        return None
    own = calibration.filter(pl.col("part") == PART)
    slopes = own if own.height else overall
    errors = ((slopes["hi95"] - slopes["lo95"]) / (2 * 1.96)).to_numpy()
    positive = mix_spreads(slopes["value"].to_numpy(), np.maximum(errors, SMALLEST_ERROR)).positive().tolist()
    return Reliance(dict(zip(own["setting"], positive, strict=False)), positive[-1])
