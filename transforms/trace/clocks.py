"""The lag from field to weighbridge, and machines whose clock stands off it."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import t as student

SMALLEST_OFFSET_MIN = 3.0
"""A clock is corrected only where it stands at least this far off (the lag model itself is about as good)."""


@dataclass(frozen=True)
class LagModel:
    """Minutes from leaving the field to the weighbridge: `intercept[site] + slope * km`.

    Attributes:
        intercept_min: by site.
        slope_min_per_km: common to all.
        spread_min: robust standard deviation of what remains.
    """

    intercept_min: dict[str, float]
    slope_min_per_km: float
    spread_min: float

    def lag_min(self, site: str, km: float) -> float:
        """Return the expected lag in minutes."""
        usual = float(np.median(list(self.intercept_min.values()))) if self.intercept_min else 20.0
        return self.intercept_min.get(site, usual) + self.slope_min_per_km * km


def fit_lags(samples: pl.DataFrame) -> LagModel:
    """Fit the lag from `site_id, km, lag_min` by least squares, twice trimmed at three robust deviations."""
    sites = sorted(samples["site_id"].unique().to_list())
    if samples.height < 10:
        return LagModel(dict.fromkeys(sites, 20.0), 1.5, 10.0)
    kept = samples
    coefficients, spread = np.zeros(len(sites) + 1), 10.0
    for _ in range(3):
        columns = [(kept["site_id"] == s).cast(pl.Float64).to_numpy() for s in sites] + [kept["km"].to_numpy()]
        design, lag = np.column_stack(columns), kept["lag_min"].to_numpy()
        coefficients = np.linalg.lstsq(design, lag, rcond=None)[0]
        residual = lag - design @ coefficients
        spread = max(0.5, 1.4826 * float(np.median(np.abs(residual - np.median(residual)))))
        kept = kept.filter(pl.Series(np.abs(residual) < 3 * spread))
    return LagModel(dict(zip(sites, coefficients[:-1].tolist(), strict=True)), float(coefficients[-1]), spread)


def machine_clocks(samples: pl.DataFrame, lags: LagModel) -> pl.DataFrame:
    """Estimate how far each machine's clock runs ahead of the weighbridges'.

    Args:
        samples: `machine_id, site_id, km, lag_min`, lags by the machine's own clock.
        lags: the fleet's lag.

    Returns:
        `machine_id, offset_min, lo95, hi95, n, corrected`; positive where the machine's clock is ahead.
    """
    if not samples.height:
        schema = {"machine_id": pl.String, "offset_min": pl.Float64, "lo95": pl.Float64, "hi95": pl.Float64,
                  "n": pl.Int64, "corrected": pl.Boolean}  # fmt: skip
        return pl.DataFrame(schema=schema)
    expected = [lags.lag_min(s, k) for s, k in samples.select("site_id", "km").iter_rows()]
    off = samples.with_columns((pl.Series(expected) - pl.col("lag_min")).alias("off"))
    by_machine = off.group_by("machine_id", maintain_order=True).agg(
        pl.col("off").median().alias("offset_min"),
        (pl.col("off") - pl.col("off").median()).abs().median().alias("mad"),
        pl.len().cast(pl.Int64).alias("n"),
    )
    # Against the fleet's median machine, so that the lag model's own level cancels.
    usual = float(by_machine["offset_min"].median())  # type: ignore[arg-type]
    # Roads and trucks differ between machines for good: what right clocks scatter by is part of the error.
    between = 1.4826 * float((by_machine["offset_min"] - usual).abs().median())  # type: ignore[arg-type]
    sampling = 1.2533 * 1.4826 * pl.col("mad") / pl.col("n").sqrt()
    # That scatter is itself known from few machines, hence Student's quantile.
    wide = float(student.ppf(0.975, max(by_machine.height - 2, 1)))
    half = wide * (sampling**2 + between**2).sqrt()
    return (
        by_machine.with_columns(pl.col("offset_min") - usual)
        .with_columns((pl.col("offset_min") - half).alias("lo95"), (pl.col("offset_min") + half).alias("hi95"))
        .with_columns(
            (
                (pl.col("offset_min").abs() > SMALLEST_OFFSET_MIN)
                & (pl.col("lo95") * pl.col("hi95") > 0)
                & (pl.col("n") >= 20)
            ).alias("corrected")
        )
        .select("machine_id", "offset_min", "lo95", "hi95", "n", "corrected")
        .sort("machine_id")
    )
