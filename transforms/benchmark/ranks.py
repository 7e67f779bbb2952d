"""Ranks with their uncertainty: how often each subject would stand where, over draws of all own levels together."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def ranks(draws: Array) -> tuple[Array, Array, Array]:
    """Return (median rank, 2.5 % and 97.5 % quantile), 1 the lowest, from joint draws of shape (draws, k)."""
    place = draws.argsort(axis=1).argsort(axis=1) + 1
    low, middle, high = np.quantile(place, (0.025, 0.5, 0.975), axis=0, method="nearest")
    return middle, low, high
