"""Medians over the lag samples of a season."""

import numpy as np
import polars as pl

FEWEST_TOLD, FEWEST_SAMPLES = 5, 3


def lag_spread(samples: pl.DataFrame, leave_spread_min: float, usual_min: float) -> float:
    """Return the spread of one load's lag: of the drive, where tickets name departures, and of the leaving.

    Elsewhere the lower quartile of the samples' own: the rest of them hold errors of their mass curves.
    """
    driven = samples.filter(pl.col("drive_n") >= FEWEST_TOLD)
    if driven.height >= FEWEST_SAMPLES:
        return float(np.hypot(median_or(driven["drive_spread_min"], usual_min), leave_spread_min))
    own = samples.filter(pl.col("n") >= FEWEST_TOLD)["lag_spread_min"]
    found = own.quantile(0.25) if own.len() else None
    return float(found) if found is not None else usual_min


def round_to_half(minutes: float) -> float:
    """Return minutes in steps of a half."""
    return round(2 * minutes) / 2


def median_or(values: pl.Series, otherwise: float) -> float:
    """Return the median of the known values, `otherwise` if there are none."""
    found = values.drop_nulls().to_numpy()
    return float(np.median(found)) if found.size else otherwise
