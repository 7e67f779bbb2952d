"""Variances and pseudo-values of an estimated fit, kept for the fits by day until the next nightly refit."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.config.response_catalogue import RESPONSES
from transforms.mixed_model.huber import Tails
from transforms.mixed_model.reml import WarmStart
from transforms.model.facts import MeasuredRows, row_key
from transforms.model.fit_result import KeptVariances, ResponseFit
from transforms.model.plain_fit import rounding_of
from transforms.model.response_scale import is_counted, measured_columns
from transforms.model.weekly_products import variance_class

MAX_AGE = dt.timedelta(days=3)
"""Age of the variances, in days of lifting, from which they are estimated again (common practice, no source)."""
MAX_GROWTH = 0.25
"""Growth of the rows since the variances were estimated from which they are estimated again (common practice, no
source): early in a season, when a fit costs little, every shift adds as much."""
KEPT_SCHEMA = {"key": pl.String, "measurement": pl.UInt64, "z": pl.Float64, "pseudo": pl.Float64, "class": pl.Int64}


@dataclass(frozen=True)
class NightFit:
    """Result of an estimated fit that the fits by day use.

    Attributes:
        response: name of the response.
        variances: (variance of each block and factor, residual variance), in squared units of z.
        s2: rows were weighted by s2 / (s2 + v).
        sensors: candidate setting -> reliability of its sensor.
        tails: heaviness of the tails, and if pseudo-values replaced values.
        is_rounded: True if values were fitted as the intervals that they were rounded from.
        last_shift_date: day of the last shift fitted.
        rows: key, hash of the measurement, z, pseudo-value and class of measurement variance of each row.
    """

    response: str
    variances: WarmStart
    s2: float
    sensors: dict[str, float]
    tails: Tails
    is_rounded: bool
    last_shift_date: dt.date
    rows: pl.DataFrame

    @property
    def kept(self) -> KeptVariances:
        """The record of the fit that the variances come from."""
        return KeptVariances(self.last_shift_date, self.rows.height)

    def serves(self, measured: MeasuredRows) -> bool:
        """Return True if the rows are few enough, new enough and of the same settings, so that the variances hold."""
        last: dt.date = measured.rows.select(pl.col("shift_date").max()).item()
        return (
            list(self.sensors) == [s.name for s in measured.frame.settings]
            and abs(last - self.last_shift_date) <= MAX_AGE
            and abs(measured.z.size - self.rows.height) <= MAX_GROWTH * self.rows.height
            and self.is_rounded == is_rounded(measured.rows, self.response)
        )


def night_fit_of(fit: ResponseFit) -> NightFit | None:
    """Return what the fits by day need of a fit; None for a fit at kept variances."""
    if fit.kept_variances is not None:
        return None
    names = [s.name for s in fit.frame.settings]
    rows = pl.DataFrame(
        {
            "key": fit.rows[row_key(fit.rows)].cast(pl.String),
            "measurement": measurement_hash(fit.rows, fit.response),
            "z": fit.z,
            "pseudo": fit.pseudo,
            "class": variance_class(fit.known),
        },
        schema=KEPT_SCHEMA,
    )
    return NightFit(
        fit.response,
        (fit.reml.variances, fit.reml.residual),
        fit.s2,
        dict(zip(names, fit.frame.sensors or (1.0,) * len(names), strict=True)),
        fit.tails,
        is_rounded(fit.rows, fit.response),
        fit.last_shift_date,
        rows,
    )


def is_rounded(rows: pl.DataFrame, response: str) -> bool:
    """Return True if the values of a response are fitted as the intervals that they were rounded from.

    Args:
        rows: facts with the response.
        response: name of the response.
    """
    return not is_counted(response) and rounding_of(rows, response) is not None


def measurement_hash(rows: pl.DataFrame, response: str) -> pl.Series:
    """Return a hash of each row's measurement, shape (n,): another one gets a new pseudo-value.

    Args:
        rows: usable facts.
        response: name of the response.
    """
    more = [c for c in ("sample_kg", "root_loss_log_var") if c in rows.columns]
    return rows.select(*dict.fromkeys([*measured_columns(RESPONSES[response]), *more])).hash_rows(seed=0)


def kept_rows(night: NightFit, rows: pl.DataFrame) -> pl.DataFrame:
    """Return `z, pseudo, class` of each row as kept, null for a new row or a changed measurement, in order of `rows`.

    Args:
        night: the kept fit.
        rows: usable facts.
    """
    keys = pl.DataFrame(
        {"key": rows[row_key(rows)].cast(pl.String), "measurement": measurement_hash(rows, night.response)}
    )
    found = keys.join(night.rows, on=["key", "measurement"], how="left", maintain_order="left")
    return found.select("z", "pseudo", "class")


def merge(kept: pl.Series, new: np.ndarray) -> np.ndarray:
    """Return the kept values, and the new ones where none is kept, shape (n,).

    Args:
        kept: values of the fit before, null if there is none, n of them.
        new: new values, shape (n,).
    """
    known = kept.is_not_null().to_numpy()
    return np.where(known, kept.fill_null(0).to_numpy(), new)
