"""How far a load's traced settings can be trusted to have moved as they seem to: regression calibration.

A traced mean is the mean over all that the load may have taken, weighed by its chance: where those chances are right,
E(true | traced) = traced, and a slope on it is not attenuated (Carroll et al. 2006, section 4). Where the tracing is
surer than it should be, part d of the load's mass came from elsewhere, from a load or so away; there the setting stood
where it stood here only as far as it stays put. METHODS.md section 5.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
LEAST = 0.3
"""No departure is believed less than this: such loads do not enter the fit."""
FEWEST_PAIRS = 20
GRADES = {"trace_quality", "claimed_quality", "machine_chance"}


def lag1_autocorrelation(steps: Array, has: NDArray[np.bool_], visit: NDArray[np.int64], order: Array) -> Array:
    """Return how far each setting stays put from a load to the next of its visit: its correlation, 0 to 1, shape (j,).

    Args:
        steps: settings in practical steps, shape (n, j).
        has: whether a row has the setting.
        visit: visit of each row.
        order: what orders the rows of a visit in time.
    """
    turn = np.lexsort((order, visit))
    follows = visit[turn][1:] == visit[turn][:-1]
    count = np.bincount(visit)
    out = np.ones(steps.shape[1])
    for j in range(steps.shape[1]):
        inside = steps[:, j] - (np.bincount(visit, steps[:, j]) / np.maximum(count, 1))[visit]
        now, then, known = inside[turn][:-1], inside[turn][1:], has[turn, j]
        pair = follows & known[:-1] & known[1:]
        spread = float(np.sqrt(np.sum(now[pair] ** 2) * np.sum(then[pair] ** 2)))
        if pair.sum() >= FEWEST_PAIRS and spread > 0:
            out[j] = np.clip(np.sum(now[pair] * then[pair]) / spread, 0.0, 1.0)
    return out


def reliability(facts: pl.DataFrame, stays: Array, names: Sequence[str]) -> Array:
    """Return, for each load and setting, E(true departure | traced departure) over the traced departure, shape (n, j).

        lambda = 1 - d (1 - r (2 c - 1)),   d = 1 - trace_quality / claimed_quality                        (5.3)

    with r how far the setting stays put and c the chance of the likeliest machine: what another machine did at the
    time says nothing. Facts without grades, such as audits, are believed as they are, and so is the setting that a
    trial set.
    """
    if not set(facts.columns) >= GRADES:
        return np.ones((facts.height, stays.size))
    graded, claimed, chance = (facts[c].to_numpy() for c in ("trace_quality", "claimed_quality", "machine_chance"))
    elsewhere = np.clip(np.where(claimed > 0, 1 - graded / np.maximum(claimed, 1e-9), 0.0), 0, 1)
    alike = np.clip(2 * chance - 1, 0, 1)[:, None] * stays[None, :]
    out = np.asarray(np.clip(1 - elsewhere[:, None] * (1 - alike), LEAST, 1.0))
    if "trial_setting" in facts.columns:
        tried = facts["trial_setting"].fill_null("").to_numpy()
        for j, name in enumerate(names):
            out[tried == name, j] = 1.0
    return out
