"""Reliability of traced settings: regression calibration of measurement error.

A traced mean of a setting is weighted by the probability of each possible source of the load's mass. If these
probabilities are right, E(true | traced) = traced, and a slope on the traced mean is not attenuated (Carroll et al.
2006, section 4). If the tracing is overconfident, a fraction d of the mass came from elsewhere, about one load away,
where the setting had the same value only as far as its lag-1 autocorrelation implies. METHODS.md section 5.
"""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.model.planned_variation import is_varied

MIN_RELIABILITY = 0.3
"""Lower bound of the reliability; loads traced worse are excluded by `MIN_TRACE_QUALITY`."""
BY_LOT_AUTOCORRELATION = -0.5
"""Of a setting drawn by lot in pairs: one neighbour of a load is its partner at the opposite value, the other one
belongs to a pair of its own."""
MIN_PAIRS = 20
"""Minimum number of pairs of successive loads for an autocorrelation."""
GRADES = {"trace_quality", "claimed_quality", "machine_chance"}
"""Columns of the tracing grades that the reliability needs."""


def lag1_autocorrelation(steps: Array, observed: NDArray[np.bool_], visit: NDArray[np.int64], order: Array) -> Array:
    """Return the autocorrelation of each setting from a load to the next of its visit, 0 to 1, shape (j,).

    A setting with too few pairs of loads has 1.

    Args:
        steps: settings in practical steps, shape (n, j).
        observed: observed mask of the settings, shape (n, j).
        visit: visit of each row, shape (n,).
        order: sort key of the rows of a visit in time, shape (n,).
    """
    by_time = np.lexsort((order, visit))
    follows = visit[by_time][1:] == visit[by_time][:-1]
    count = np.bincount(visit)
    out = np.ones(steps.shape[1])
    for j in range(steps.shape[1]):
        inside = steps[:, j] - (np.bincount(visit, steps[:, j]) / np.maximum(count, 1))[visit]
        now, then, known = inside[by_time][:-1], inside[by_time][1:], observed[by_time, j]
        pair = follows & known[:-1] & known[1:]
        scale = float(np.sqrt(np.sum(now[pair] ** 2) * np.sum(then[pair] ** 2)))
        if pair.sum() >= MIN_PAIRS and scale > 0:
            out[j] = np.clip(np.sum(now[pair] * then[pair]) / scale, 0.0, 1.0)
    return out


def reliability(facts: pl.DataFrame, autocorrelation: Array, names: Sequence[str], sensors: Array) -> Array:
    """Return, for each load and setting, E(true departure | traced departure) over the traced departure, shape (n, j).

        lambda = 1 - d (1 - r (2 c - 1)),   d = 1 - trace_quality / claimed_quality                        (5.3)

    with r the autocorrelation of the setting and c the probability of the most likely machine, because the settings of
    another machine carry no information. That of facts without grades, such as audits, is the sensor's alone, and that
    of the setting that a trial prescribed is 1.

    Args:
        facts: the rows.
        autocorrelation: autocorrelation of each setting, shape (j,).
        names: names of the settings.
        sensors: reliability of each setting's sensor (`sensor_noise.py`), shape (j,).
    """
    if not set(facts.columns) >= GRADES:
        return np.tile(sensors, (facts.height, 1))
    graded, claimed, chance = (facts[c].to_numpy() for c in ("trace_quality", "claimed_quality", "machine_chance"))
    elsewhere = np.clip(np.where(claimed > 0, 1 - graded / np.maximum(claimed, 1e-9), 0.0), 0, 1)
    lasting = np.tile(autocorrelation, (facts.height, 1))
    for j, name in enumerate(names):
        lasting[is_varied(facts, name), j] = BY_LOT_AUTOCORRELATION
    similar = np.clip(2 * chance - 1, 0, 1)[:, None] * lasting
    out = np.asarray(np.clip(1 - elsewhere[:, None] * (1 - similar), MIN_RELIABILITY, 1.0) * sensors)
    if "trial_setting" in facts.columns:
        tried = facts["trial_setting"].fill_null("").to_numpy()
        for j, name in enumerate(names):
            out[tried == name, j] = 1.0
    return out
