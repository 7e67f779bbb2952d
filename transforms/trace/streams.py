"""The mass that left each machine in each field on each shift day, as batches in order of time.

A batch is an emptied tank: what was lifted since the emptying before, stirred. A machine without tank signals gives
one batch per 30 s bin, so that its loads follow the mass curve itself.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

GAP_S = 120.0
"""A silence of the log longer than this, inside one field, hides mass: it is kept as an unknown batch part."""


@dataclass(frozen=True)
class Stream:
    """What one machine lifted in one field on one shift day.

    Attributes:
        machine_id: the machine.
        field_id: the field.
        shift_date: the local day of the shift.
        parts: `part, bin_at, batch, lifted_t`; `bin_at` is null where the log was silent.
        batch_t: mass of each batch, t.
        left_at: when each batch left the machine, UTC microseconds.
        has_signal: whether emptyings were seen.
    """

    machine_id: str
    field_id: str
    shift_date: dt.date
    parts: pl.DataFrame
    batch_t: NDArray[np.float64]
    left_at: NDArray[np.int64]
    has_signal: bool

    @property
    def lifted_t(self) -> float:
        """All that was lifted, t."""
        return float(self.batch_t.sum())


def shift_date(moment: pl.Expr, zone: str, starts: dt.time) -> pl.Expr:
    """Return the local date of the shift a UTC moment belongs to."""
    offset = dt.timedelta(hours=starts.hour, minutes=starts.minute)
    return (moment.dt.convert_time_zone(zone).dt.replace_time_zone(None) - offset).dt.date()


def _with_gaps(bins: pl.DataFrame) -> pl.DataFrame:
    """Add rows of unknown bins where the log was silent in the middle of work, at the stretch's mean rate."""
    rate = float(bins["lifted_t"].sum()) / max(1, bins.filter(pl.col("state") != "idle").height) / 30.0
    silent = (pl.col("bin_at").shift(-1) - pl.col("bin_at")).dt.total_microseconds() / 1e6 - 30.0
    gaps = (
        bins.with_columns(silent.alias("silent_s"))
        .filter(pl.col("silent_s") > GAP_S)
        .select(
            (pl.col("bin_at") + pl.duration(seconds=30)).alias("at"),
            pl.lit(None, dtype=bins.schema["bin_at"]).alias("bin_at"),
            (pl.col("silent_s") * rate).alias("lifted_t"),
        )
    )
    known = bins.filter(pl.col("lifted_t") > 0).select(pl.col("bin_at").alias("at"), "bin_at", "lifted_t")
    return pl.concat([known, gaps]).sort("at")


def _stream(bins: pl.DataFrame, emptied: NDArray[np.int64], key: tuple[str, str, dt.date]) -> Stream | None:
    parts = _with_gaps(bins)
    if not parts.height:
        return None
    at = parts["at"].dt.timestamp("us").to_numpy()
    ends = emptied[(emptied > at[0]) & (emptied <= at[-1] + 1_800_000_000)]
    if ends.size:
        batch = np.searchsorted(ends, at, side="right")
        left_at = np.append(ends, at[-1] + 30_000_000)
    else:
        batch, left_at = np.arange(at.size), at + 30_000_000
    used, batch = np.unique(batch, return_inverse=True)
    mass = np.bincount(batch, weights=parts["lifted_t"].to_numpy()).astype(np.float64)
    return Stream(
        *key,
        parts=parts.with_columns(pl.Series("batch", batch.astype(np.int64))).drop("at"),
        batch_t=mass,
        left_at=left_at[used],
        has_signal=bool(ends.size),
    )


def build_streams(
    bins: pl.DataFrame, unloads: pl.DataFrame, fields: pl.DataFrame, zone: str, starts: dt.time
) -> list[Stream]:
    """Build every stream of a season.

    Args:
        bins: all bins, with `field_id` and `area_ha`.
        unloads: all emptyings.
        fields: `field_id, yield_t_ha`.
        zone: the season's time zone.
        starts: local time a shift starts.
    """
    lifted = (
        bins.sort("machine_id", "bin_at")
        .with_columns(
            pl.col("field_id").forward_fill(limit=4).over("machine_id"),
            shift_date(pl.col("bin_at"), zone, starts).alias("shift_date"),
        )
        .join(fields.select("field_id", "yield_t_ha"), on="field_id", how="inner")
        .with_columns((pl.col("area_ha") * pl.col("yield_t_ha")).alias("lifted_t"))
    )
    emptied = {
        str(m): part["started_at"].sort().dt.timestamp("us").to_numpy() for (m,), part in unloads.group_by("machine_id")
    }
    streams = []
    for (machine, field, day), part in lifted.group_by("machine_id", "field_id", "shift_date", maintain_order=True):
        moments = emptied.get(str(machine), np.empty(0, dtype=np.int64))
        stream = _stream(part.sort("bin_at"), moments, (str(machine), str(field), day))
        if stream is not None and stream.lifted_t > 0.5:
            streams.append(stream)
    return streams
