"""Check of sampling: does the laboratory sample the loads that are expected to be dirtier more often?"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.arrays import Array
from transforms.config.response_catalogue import RESPONSES
from transforms.model.facts import complete_facts, picked_by_looks
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import is_measured
from transforms.model.row_batches import RowBatches
from transforms.model.visits import visits_of

MIN_VISITS = 10
"""Minimum number of visits with measured and unmeasured loads."""
MEASURED = "is_measured"


@dataclass(frozen=True)
class SamplingRate:
    """Relation of sampling and expected dirt within visits.

    Attributes:
        z: sum over measured loads of the expected response less the visit's mean, divided by its standard deviation
            if every visit's measured loads are a simple random sample of its loads.
        excess: mean of that difference over measured loads, on the scale of the fit.
        visits: number of visits with measured and unmeasured loads.
    """

    z: float
    excess: float
    visits: int


def sampling_rate(fit: ResponseFit, facts: pl.DataFrame) -> SamplingRate | None:
    """Compare the expected response of measured loads with that of all loads of their visits.

    The expected response follows from the settings and conditions of a load, so it is known for unmeasured loads too.
    Measured loads of a visit drawn at random without replacement have the visit's mean and the variance of such
    samples (Cochran, Sampling Techniques, 3rd edition, theorem 2.2).

    Args:
        fit: the fit.
        facts: the facts that it was fitted to, with the rows that lack the response.

    Returns:
        The relation; None with fewer than `MIN_VISITS` visits that have both measured and unmeasured loads.
    """
    spec = RESPONSES[fit.response]
    measured_rows = is_measured(spec).fill_null(value=False) & ~picked_by_looks(facts)
    facts = facts.with_columns(measured_rows.alias(MEASURED))
    rows = complete_facts(facts, fit.response, list(fit.settings))
    if rows[MEASURED].all():
        return None
    visit, measured = visits_of(rows), rows[MEASURED].to_numpy().astype(np.float64)
    expected = _expected(fit, rows)
    n, k = np.bincount(visit), np.bincount(visit, measured)
    mixed = (k > 0) & (k < n)
    if mixed.sum() < MIN_VISITS:
        return None
    difference = expected - (np.bincount(visit, expected) / n)[visit]
    total = np.bincount(visit, difference * measured)[mixed].sum()
    squares = np.bincount(visit, difference**2)[mixed]
    n, k = n[mixed], k[mixed]
    variance = float(np.sum(k * (n - k) / (n * (n - 1)) * squares))
    if variance == 0:
        return None
    return SamplingRate(float(total / np.sqrt(variance)), float(total / k.sum()), int(mixed.sum()))


def _expected(fit: ResponseFit, rows: pl.DataFrame) -> Array:
    """Return the fixed part of the expected response of each row, shape (n,)."""
    keep = [i for i, label in enumerate(fit.frame.dense_labels()) if label in fit.at]
    coefficients = fit.reml.coef[: len(keep)]
    return np.concatenate([cols.D[:, keep] @ coefficients for _, cols in RowBatches(rows, fit.frame)])
