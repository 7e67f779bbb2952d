"""Statistical disclosure control: the rules under which one subject may see figures that rest on others.

Method and sources are in `METHODS.md`, section 8. With the values of n subjects in ascending order,
x_1 <= ... <= x_n, a mark at quantile q is a mean of order statistics about its position c = 1 + q (n - 1),

    m(c) = (1/7) sum_k x_k |[k - 1/2, k + 1/2] with [c - 7/2, c + 7/2]|                                        (8.1)

Replacing or removing one subject moves every order statistic by at most one place, so it moves the mark by at most

    s(c) = max(m(c + 1) - m(c), m(c) - m(c - 1))                                                               (8.2)

however far the subject's own value moves. A mark is rounded to the first step of base x {1, 2, 4, 8} that is not
smaller than s, and withheld if there is none or if the lowest or the highest subject could enter (8.2) from outside.
So one subject moves a printed mark by at most one step, the coarser of the two if the step itself changes.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.contracts.reason import Reason, reason

Array = NDArray[np.float64]
MIN_OTHERS = 5
"""Minimum frequency rule: a figure rests on at least this number of other subjects."""
MIN_COMPARED = 10
"""Rule of ten: with fewer subjects there is no band, third or count."""
MAX_SHARE = (0.50, 0.67)
"""Dominance rule: the largest and the two largest others contribute at most these shares of the others' total."""
WIDTH = 7
"""Number of subjects that a mark averages: five others besides any two readers who compare their pages."""
QUANTILES = {"p10": 0.10, "p25": 0.25, "p50": 0.50, "p75": 0.75, "p90": 0.90}
BASE_STEPS = {DIRT: 0.1, ROOT_LOSS: 0.05}
"""Finest rounding by response, in its own unit; common practice, no source."""
OTHER_BASE_STEP = 0.05
DOUBLINGS = (1, 2, 4, 8)

TOO_FEW_OTHERS, DOMINATED = reason("too_few_others", others=MIN_OTHERS), reason("dominated")
TOO_FEW_COMPARED = reason("too_few_compared", compared=MIN_COMPARED)
SHARED_OWNERS, TOO_FAR_APART = reason("shared_owners"), reason("too_far_apart")
"""Reasons of withheld figures."""


@dataclass(frozen=True)
class Band:
    """Marks of all subjects compared, the same for every reader.

    Attributes:
        marks: name of the quantile -> rounded mark; withheld marks are omitted.
        step: rounding step of the marks; None if all are withheld.
        reason: reason for withholding all of them, one of those above; None if any is shown.
    """

    marks: dict[str, float]
    step: float | None
    reason: Reason | None = None


def base_step(response: str) -> float:
    """Return the finest rounding of figures of a response.

    >>> base_step("dirt_tare_pct")
    0.1
    """
    return BASE_STEPS.get(response, OTHER_BASE_STEP)


def round_to_step(value: float | None, step: float) -> float | None:
    """Return a value rounded half up to a step; None for one that is missing or not finite.

    Args:
        value: a figure.
        step: rounding step, in the unit of the figure.

    >>> round_to_step(0.26, 0.1), round_to_step(-0.05, 0.1), round_to_step(float("nan"), 0.1)
    (0.3, 0.0, None)
    """
    if value is None or not math.isfinite(value):
        return None
    return round(math.floor(value / step + 0.5) * step, 9) + 0.0


def step_for(sensitivity: float, base: float) -> float | None:
    """Return the smallest permitted step not below a sensitivity; None if there is none.

    Args:
        sensitivity: largest movement of the figure if one subject is replaced or removed, in its unit.
        base: finest step, in the unit of the figure.

    >>> step_for(0.15, 0.1)
    0.2
    """
    return next((base * k for k in DOUBLINGS if sensitivity <= base * k), None)


def withholding_reason(subject: str, contributions: Mapping[str, float]) -> Reason | None:
    """Return the reason why a subject may not see a figure that all contribute to; None if it may.

    Args:
        subject: the reader, whose own contribution is known to the reader.
        contributions: non-negative contribution of each subject, such as its number of loads.
    """
    others = sorted((v for k, v in contributions.items() if k != subject and v > 0), reverse=True)
    if len(others) < MIN_OTHERS:
        return TOO_FEW_OTHERS
    total = math.fsum(others)
    dominated = any(math.fsum(others[: i + 1]) > share * total for i, share in enumerate(MAX_SHARE))
    return DOMINATED if dominated else None


def mean_sensitivity(means: Array, counts: Array) -> float:
    """Return the largest change of the mean over all loads if one subject's loads are left out.

    It is infinite for fewer than two subjects.

    Args:
        means: mean of each subject's loads, shape (k,).
        counts: number of each subject's loads, shape (k,), positive.
    """
    total = counts.sum()
    if means.size < 2:
        return math.inf
    overall = float(means @ counts / total)
    return float(np.max(counts * np.abs(means - overall) / (total - counts)))


def _mark(ordered: Array, centre: float) -> float:
    """Return the mark about a position, (8.1)."""
    k = np.arange(1, ordered.size + 1)
    overlap = np.minimum(k + 0.5, centre + WIDTH / 2) - np.maximum(k - 0.5, centre - WIDTH / 2)
    return float(np.maximum(overlap, 0.0) @ ordered) / WIDTH


def _sensitivity(ordered: Array, centre: float) -> float:
    """Return the sensitivity of the mark about a position, (8.2)."""
    low, middle, high = (_mark(ordered, centre + d) for d in (-1.0, 0.0, 1.0))
    return max(high - middle, middle - low)


def band(values: Array, base: float) -> Band:
    """Return the marks of subjects' values.

    Args:
        values: value of each subject, shape (n,); each belongs to another owner; non-finite values are ignored.
        base: finest rounding, in the unit of the values.
    """
    ordered = np.sort(values[np.isfinite(values)])
    n = ordered.size
    if n < MIN_COMPARED:
        return Band({}, None, TOO_FEW_COMPARED)
    reach = (WIDTH + 1) / 2 + 1
    centres = {name: 1 + q * (n - 1) for name, q in QUANTILES.items()}
    centres = {name: c for name, c in centres.items() if reach - 1e-9 <= c <= n + 1 - reach + 1e-9}
    sensitivity = {name: _sensitivity(ordered, c) for name, c in centres.items()}
    shown = {name: s for name, s in sensitivity.items() if step_for(s, base) is not None}
    step = step_for(max(shown.values(), default=math.inf), base)
    if step is None:
        return Band({}, None, TOO_FAR_APART)
    marks = {name: round_to_step(_mark(ordered, centres[name]), step) for name in shown}
    return Band({name: m for name, m in marks.items() if m is not None}, step)
