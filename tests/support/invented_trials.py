"""Invented trials with known effects: loads that hold mass of the load before, and a trend within pairs."""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array

NOISE_SD = 0.2
"""Scale of a load's deviation in log dirt (t distribution with 4 degrees of freedom)."""


@dataclass(frozen=True)
class InventedTrials:
    """Differences of log dirt, B less A, and traced differences over the planned one, each of shape (trials, pairs)."""

    differences: Array
    doses: Array


@dataclass(frozen=True)
class Conditions:
    """Conditions of a trial.

    Attributes:
        effect: change of log dirt by the planned difference of the setting.
        trend: change of log dirt from the first load of a pair to the second.
        trace_sd: standard deviation of the error of a traced setting, in planned differences.
    """

    effect: float
    trend: float
    trace_sd: float


def invent_trials(trials: int, pairs: int, under: Conditions, rng: np.random.Generator) -> InventedTrials:
    """Return trials in which a load takes part of its mass, a twentieth to a half, from the load before.

    Args:
        trials: number of trials.
        pairs: number of pairs of each.
        under: effect, trend and error of the trace.
        rng: random generator.
    """
    b_is_second = rng.random((trials, pairs)) < 0.5
    planned = np.stack([~b_is_second, b_is_second], axis=-1).reshape(trials, 2 * pairs).astype(np.float64)
    before = np.concatenate([np.zeros((trials, 1)), planned[:, :-1]], axis=1)
    carried = rng.uniform(0.05, 0.5, planned.shape)
    held = (1 - carried) * planned + carried * before
    traced = held + rng.normal(0, under.trace_sd, held.shape)
    z = under.effect * held + under.trend * (np.arange(2 * pairs) % 2) + NOISE_SD * rng.standard_t(4, held.shape)

    def b_less_a(loads: Array) -> Array:
        first, second = loads[:, ::2], loads[:, 1::2]
        return np.where(b_is_second, second - first, first - second)

    return InventedTrials(b_less_a(z), b_less_a(traced))
