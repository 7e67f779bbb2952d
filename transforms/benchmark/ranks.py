"""Ranks with their uncertainty, from joint draws of all subjects' effects."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Ranks(NamedTuple):
    """Ranks of k subjects, each of shape (k,): median, and 2.5 % and 97.5 % quantile."""

    median: Array
    lo95: Array
    hi95: Array


def ranks(draws: Array) -> Ranks:
    """Return the median rank of each subject and its 2.5 % and 97.5 % quantiles; rank 1 is the lowest effect.

    Args:
        draws: joint draws of the effects, shape (draws, k).
    """
    place = draws.argsort(axis=1).argsort(axis=1) + 1
    low, middle, high = np.quantile(place, (0.025, 0.5, 0.975), axis=0, method="nearest")
    return Ranks(middle, low, high)
