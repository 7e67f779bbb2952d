"""Robust summaries of the lag samples of a season."""

import numpy as np
import polars as pl

MIN_LOADS, MIN_FREEDOM = 5, 12
"""Loads of a sample, and degrees of freedom of known drives, from which a standard deviation is estimated."""
SITE_SAMPLES = 6.0
"""Number of samples whose weight the season's standard deviation of lags has in that of a site."""
LATE_MIN, DELAY_MIN = 15.0, 15.0
USUAL_LATE, LATE_LOADS = 0.03, 40.0
"""Share of loads that are late (common practice, no source), and known drives whose weight this prior has."""
MAX_DELAYED = 0.5
SORTED_RATIO = (0.0, 0.095, 0.183, 0.271, 0.352, 0.425, 0.481, 0.579, 0.666, 0.84, 0.959)
TRUE_RATIO = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.5, 2.0)
"""Robust standard deviation of lags, in units of the time between two loads, after and before loads were sorted by the
time of weighing: medians of 400 draws of 18 loads with normal lags."""


def lag_spread(samples: pl.DataFrame, leave_spread_min: float, usual_min: float) -> float:
    """Return the standard deviation of one load's lag, minutes.

    If tickets report departures, it combines the standard deviations of driving and of leaving. Otherwise it is the
    lower quartile of the samples' own values, because the larger ones contain errors of the mass curves.

    Args:
        samples: lag samples with the columns of `SAMPLE`.
        leave_spread_min: standard deviation of the time from the emptying to the reported departure, minutes.
        usual_min: value used if there are no samples, minutes.
    """
    driven = samples.filter((pl.col("drive_n") > 1) & pl.col("drive_spread_min").is_not_null())
    if (driven["drive_n"] - 1).sum() >= MIN_FREEDOM:
        freedom, own_sd = driven["drive_n"].to_numpy() - 1, driven["drive_spread_min"].to_numpy()
        return float(np.hypot(np.sqrt(np.average(own_sd**2, weights=freedom)), leave_spread_min))
    own = samples.filter(pl.col("n") >= MIN_LOADS)["lag_spread_min"]
    found = own.quantile(0.25) if own.len() else None
    return float(found) if found is not None else usual_min


def unsorted_spread(sorted_min: float, between_min: float) -> float:
    """Return the standard deviation of lags before loads were sorted by the time of weighing, minutes.

    If lags vary by more than the time between two loads, the k-th load weighed is not always the k-th that left, and
    the differences of the sorted times vary less than the lags.

    Args:
        sorted_min: robust standard deviation of the k-th time of weighing less the k-th departure, minutes.
        between_min: usual time between two departures, minutes.

    >>> round(unsorted_spread(3.0, 15.0), 1), round(unsorted_spread(9.0, 15.0), 1)
    (3.3, 12.7)
    """
    if between_min <= 0:
        return sorted_min
    return between_min * float(np.interp(sorted_min / between_min, SORTED_RATIO, TRUE_RATIO))


def site_spreads(samples: pl.DataFrame, leave_spread_min: float, season_min: float) -> dict[str, float]:
    """Return site -> standard deviation of one load's lag, minutes, shrunk to that of the season.

    Args:
        samples: lag samples with the columns of `SAMPLE`.
        leave_spread_min: standard deviation of the time from the emptying to the reported departure, minutes.
        season_min: standard deviation of all sites, minutes.
    """
    out = {}
    for (site,), own in samples.group_by("site_id", maintain_order=True):
        of_site = lag_spread(own, leave_spread_min, season_min)
        weight = own.height / (own.height + SITE_SAMPLES)
        out[str(site)] = round_to_half(weight * of_site + (1 - weight) * season_min)
    return out


def delayed_share(samples: pl.DataFrame) -> float:
    """Return the share of loads that are delayed on the way, by exponential delays with mean `DELAY_MIN`.

    It follows from the share of known drives that took `LATE_MIN` longer than the usual one, shrunk to `USUAL_LATE`.

    Args:
        samples: lag samples with the columns of `SAMPLE`.
    """
    late, known = (float(samples[c].sum()) for c in ("late_n", "drive_n"))
    share = (late + USUAL_LATE * LATE_LOADS) / (known + LATE_LOADS)
    return min(MAX_DELAYED, share * float(np.exp(LATE_MIN / DELAY_MIN)))


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
