"""Mean of posterior draws with its 95 % interval."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class MeanInterval(NamedTuple):
    """Mean and ends of the 95 % interval."""

    mean: float
    lo95: float
    hi95: float


def mean_interval(draws: Array) -> MeanInterval:
    """Return the mean of draws and their 95 % interval."""
    low, high = np.quantile(draws, (0.025, 0.975))
    return MeanInterval(float(draws.mean()), float(low), float(high))
