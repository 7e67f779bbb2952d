"""Reliability of sensors by repetition: a setting that is held shows the same value again, noise does not.

Within visits, products of a setting's values k loads apart split its variance into a part that lasts (29) and noise
that is new in each load, as odd and even loads would (split halves; Lord and Novick 1968). True movements may be new in
each load as well. The response decides: noise has no effect on it, so the part of the settings that is new,

    u_j = x_j - E(x_j lasting | all loads of the visit),   U = sum_j b_j u_j                                   (28)

has coefficient -1 / lambda beside the settings themselves if it is noise, and 0 if it is movement. METHODS.md,
section 5.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from transforms.arrays import Array
from transforms.model.checks.score import score_test
from transforms.model.design_matrix import DesignSpec, setting_steps
from transforms.model.facts import time_order
from transforms.model.fit_result import ResponseFit
from transforms.model.lag_products import STAYS, VisitOrder
from transforms.model.setting_terms import SettingEffect

MIN_NOISE = 0.1
"""Share of a setting's variance within visits that is new in each load, above which it may be noise."""
MIN_PAIRS = 300
"""Minimum number of pairs of successive rows (common practice, no source)."""
DECIDED_Z = -2.33
"""Standard score of the coefficient of U below which it is noise; reached by chance in 1 % of seasons."""
GROUPS = 10
"""Groups of visits that the jackknife leaves out."""
ROUNDED = 20
"""Reliabilities are rounded to one in this number, so that one more shift seldom changes the columns."""


@dataclass(frozen=True)
class LastingPart:
    """Variance of a setting within visits: a part that lasts, and a part that is new in each load."""

    variance: float
    stay: float
    new: float
    reliability: float

    def covariances(self, n: int) -> tuple[Array, Array]:
        """Return the covariances of both parts over n rows of a visit, centred, each of shape (n, n)."""
        gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        Q = np.eye(n) - 1 / n
        return self.variance * Q @ np.power(self.stay, gap) @ Q, self.new * Q


def without_noise(fit: ResponseFit) -> DesignSpec | None:
    """Return the design specification corrected for noise of sensors; None if there is none to correct.

    Args:
        fit: a fit without that correction.
    """
    if "lifted_at" not in fit.rows.columns:
        return None
    order = VisitOrder(fit.visits, time_order(fit.rows))
    if fit.z.size - order.sizes.size < MIN_PAIRS:
        return None
    steps, observed = setting_steps(fit.rows, fit.frame, fit.visits)
    names = [s for s in fit.settings if observed[:, fit.setting_column(s)].all()]
    split = {s: p for s in names if (p := lasting_part(order, steps[:, fit.setting_column(s)])) is not None}
    errors = _errors(fit, steps, list(split)) if any(p.reliability < 1 - MIN_NOISE for p in split.values()) else {}
    suspects = {s: split[s] for s, e in errors.items() if split[s].reliability < 1 - max(MIN_NOISE, 2 * e)}
    if not suspects:
        return None
    if 2 * len(suspects) > len(split):
        # Most sensors are noisy, so the others are better by chance more often than by make.
        suspects = split
    new = np.zeros(fit.z.size)
    for s, part in suspects.items():
        new += fit.reml.coef[fit.index_of(SettingEffect(s))] * _new_part(order, steps[:, fit.setting_column(s)], part)
    tested = score_test(fit, new[:, None])
    if not tested.df or tested.each[0][0] / tested.each[0][1] > DECIDED_Z:
        return None
    shrunken = _shrunken(suspects, errors)
    share = min(-tested.each[0][0] * float(np.mean(list(shrunken.values()))), 1.0)
    reliable = {s: round(ROUNDED * (1 - share * (1 - value))) / ROUNDED for s, value in shrunken.items()}
    return replace(fit.frame, sensors=tuple(reliable.get(s.name, 1.0) for s in fit.frame.settings))


def _errors(fit: ResponseFit, steps: Array, settings: list[str]) -> dict[str, float]:
    """Return the standard error of the reliability of each setting's sensor (jackknife over groups of visits)."""
    group, time, without = fit.visits % GROUPS, time_order(fit.rows), []
    for g in range(GROUPS):
        rows = group != g
        order = VisitOrder(np.unique(fit.visits[rows], return_inverse=True)[1], time[rows])
        parts = [lasting_part(order, steps[rows, fit.setting_column(s)]) for s in settings]
        without.append([1.0 if p is None else p.reliability for p in parts])
    return dict(zip(settings, np.sqrt((GROUPS - 1) * np.var(without, axis=0)).tolist(), strict=True))


def _shrunken(suspects: dict[str, LastingPart], errors: dict[str, float]) -> dict[str, float]:
    """Return the reliability of each suspect, shrunk towards their mean by its standard error."""
    value = np.array([p.reliability for p in suspects.values()])
    if value.size < 2:
        return dict(zip(suspects, value.tolist(), strict=True))
    error = np.array([errors[s] ** 2 for s in suspects])
    between = max(float(value.var(ddof=1) - error.mean()), 0.0)
    weight = between / np.maximum(between + error, 1e-12)
    return dict(zip(suspects, (weight * value + (1 - weight) * value.mean()).tolist(), strict=True))


def lasting_part(order: VisitOrder, steps: Array) -> LastingPart | None:
    """Split the variance of a setting within visits by least squares on products by lag; None if it does not last."""
    products, noise = order.products(steps[:, None])[:, 0], order.expected(0.0)
    best: tuple[float, LastingPart] | None = None
    for stay in STAYS:
        shape = np.column_stack([order.expected(stay), noise])
        lasting, new = np.linalg.lstsq(shape, products, rcond=None)[0]
        miss = float(np.sum((products - shape @ [lasting, new]) ** 2))
        if lasting > 0 and (best is None or miss < best[0]):
            reliability = float(np.clip(lasting * shape[0, 0] / products[0], 0.0, 1.0))
            best = miss, LastingPart(float(lasting), stay, max(float(new), 0.0), reliability)
    return best[1] if best is not None else None


def _new_part(order: VisitOrder, steps: Array, part: LastingPart) -> Array:
    """Return u of (28) for one setting, shape (n,)."""

    @cache
    def kept(n: int) -> Array:
        lasting, new = part.covariances(n)
        return np.asarray(lasting @ np.linalg.pinv(lasting + new, hermitian=True))

    inside = order.centred(steps)
    out, start = np.empty_like(inside), 0
    for n in order.sizes:
        rows = slice(start, start + int(n))
        out[order.order[rows]] = inside[rows] - kept(int(n)) @ inside[rows]
        start += int(n)
    return out
