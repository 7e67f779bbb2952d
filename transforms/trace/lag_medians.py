"""Robust summaries of the lag samples of a season."""

import numpy as np
import polars as pl

MIN_LOADS, MIN_SAMPLES = 5, 3


def lag_spread(samples: pl.DataFrame, leave_spread_min: float, usual_min: float) -> float:
    """Return the standard deviation of one load's lag, minutes.

    If tickets report departures, it combines the standard deviations of driving and of leaving. Otherwise it is the
    lower quartile of the samples' own values, because the larger ones contain errors of the mass curves.

    Args:
        samples: lag samples with the columns of `SAMPLE`.
        leave_spread_min: standard deviation of the time from the emptying to the reported departure, minutes.
        usual_min: value used if there are no samples, minutes.
    """
    driven = samples.filter(pl.col("drive_n") >= MIN_LOADS)
    if driven.height >= MIN_SAMPLES:
        return float(np.hypot(median_or_default(driven["drive_spread_min"], usual_min), leave_spread_min))
    own = samples.filter(pl.col("n") >= MIN_LOADS)["lag_spread_min"]
    found = own.quantile(0.25) if own.len() else None
    return float(found) if found is not None else usual_min


def round_to_half(minutes: float) -> float:
    """Return minutes rounded to half a minute.

    >>> round_to_half(12.3)
    12.5
    """
    return round(2 * minutes) / 2


def median_or_default(values: pl.Series, otherwise: float) -> float:
    """Return the median of the known values, or another value if there are none.

    Args:
        values: numbers; nulls are ignored.
        otherwise: the value if none is known.
    """
    found = values.drop_nulls().to_numpy()
    return float(np.median(found)) if found.size else otherwise
