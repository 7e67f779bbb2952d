"""The mass that left each machine in one field, as batches in order of time, cut where the whole field rests.

A batch is an emptied tank: what was lifted since the emptying before, stirred. A machine whose emptyings nobody sees
gives one batch per 30 s bin, so that its loads follow the mass curve itself.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
MINUTE_US = 60_000_000
GAP_S = 120.0
"""A silence of the log longer than this, inside one field, hides mass: it is kept as an unknown batch part."""
REST_MIN = 180.0
"""Where no machine lifts in a field for so long, the work before and after is traced apart."""
SMALLEST_T = 0.5
LATE_EMPTYING_MIN = 30.0
"""A tank is emptied at the latest so long after the last lifting."""


@dataclass(frozen=True)
class Stream:
    """What one machine lifted in one field between two rests.

    Attributes:
        machine_id: the machine.
        part_bin_us: the bin of each part, UTC microseconds by the machine's own clock; -1 where the log was silent.
        part_t: mass of each part, t of the field list's yield.
        batch_of: batch of each part.
        batch_t: mass of each batch, t.
        left_min: when each batch left the machine, minutes since 1970, by the machine's own clock.
        has_signal: whether emptyings were seen.
        tank_t: capacity of the tank.
    """

    machine_id: str
    part_bin_us: NDArray[np.int64]
    part_t: Array
    batch_of: NDArray[np.int64]
    batch_t: Array
    left_min: Array
    has_signal: bool
    tank_t: float

    @property
    def lifted_t(self) -> float:
        """All that was lifted, t."""
        return float(self.batch_t.sum())


@dataclass(frozen=True)
class Stretch:
    """Work in one field between two rests: `first_min` to `last_min`, minutes since 1970, and its streams."""

    shift_date: dt.date
    first_min: float
    last_min: float
    streams: tuple[Stream, ...]

    @property
    def lifted_t(self) -> float:
        """All that was lifted, t."""
        return sum(s.lifted_t for s in self.streams)


def shift_date(moment: pl.Expr, zone: str, starts: dt.time) -> pl.Expr:
    """Return the local date of the shift a UTC moment belongs to."""
    offset = dt.timedelta(hours=starts.hour, minutes=starts.minute)
    return (moment.dt.convert_time_zone(zone).dt.replace_time_zone(None) - offset).dt.date()


@dataclass(frozen=True)
class Signals:
    """What is known of a machine beside its bins.

    Attributes:
        emptied_us: when its tank began to be emptied, rising.
        emptied_t: how much it said it emptied; nan where it did not say.
        tank_t: capacity of the tank.
    """

    emptied_us: NDArray[np.int64]
    emptied_t: Array
    tank_t: float


def _with_silences(
    at: NDArray[np.int64], mass: Array, silent_s: Array, busy: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Add parts of unknown bins (-1) where the log was silent in the middle of work, at the stretch's mean rate."""
    between_s = np.diff(at) / 1e6 - 30.0
    # A machine that logged meanwhile, in another field or on the road, was not silent.
    gaps = np.flatnonzero((between_s > GAP_S) & (np.abs(between_s - silent_s[:-1]) < 1))
    rate = mass.sum() / max(busy, 1) / 30.0
    all_at = np.concatenate([at, at[gaps] + 30_000_000])
    order = np.argsort(all_at, kind="stable")
    bins = np.concatenate([at, np.full(gaps.size, -1)])
    return all_at[order], bins[order], np.concatenate([mass, between_s[gaps] * rate])[order]


def _weighed_by_the_machine(batch_t: Array, said_t: Array) -> Array:
    """Batches as the machine itself weighed them, scaled to the same total as area times yield gives."""
    known = np.isfinite(said_t) & (said_t > SMALLEST_T)
    if not known.any():
        return batch_t
    ratio = batch_t[known].sum() / said_t[known].sum()
    return np.where(known, said_t * ratio, batch_t)


def _stream(machine_id: str, bins: pl.DataFrame, signals: Signals) -> Stream | None:
    at, part_bin, mass = _with_silences(
        bins["bin_at"].dt.timestamp("us").to_numpy(),
        bins["lifted_t"].to_numpy(),
        bins["silent_s"].to_numpy(),
        int((bins["state"] != "idle").sum()),
    )
    kept = mass > 0
    at, part_bin, mass = at[kept], part_bin[kept], mass[kept]
    if mass.sum() < SMALLEST_T:
        return None
    near = (signals.emptied_us > at[0]) & (signals.emptied_us <= at[-1] + LATE_EMPTYING_MIN * MINUTE_US)
    ends, said = signals.emptied_us[near], signals.emptied_t[near]
    if ends.size:
        batch = np.searchsorted(ends, at, side="right")
        left, said = np.append(ends, at[-1] + 30_000_000), np.append(said, np.nan)
    else:
        batch, left, said = np.arange(at.size), at + 30_000_000, np.full(at.size, np.nan)
    used, batch = np.unique(batch, return_inverse=True)
    by_area = np.bincount(batch, weights=mass).astype(np.float64)
    batch_t = _weighed_by_the_machine(by_area, said[used])
    return Stream(
        machine_id,
        part_bin,
        mass * (batch_t / by_area)[batch],
        batch.astype(np.int64),
        batch_t,
        left[used] / MINUTE_US,
        bool(ends.size),
        signals.tank_t,
    )


def _stretch_numbers(bins: pl.DataFrame) -> pl.Series:
    """Number the stretches of a field's bins: a new one begins where nobody lifted for `REST_MIN`."""
    moments = bins.filter(pl.col("lifted_t") > 0)["bin_at"].dt.timestamp("us").unique().sort().to_numpy()
    starts = moments[1:][np.diff(moments) > REST_MIN * MINUTE_US]
    # The middle of the rest cuts, so that what stands about before and after stays with its work.
    before = moments[:-1][np.diff(moments) > REST_MIN * MINUTE_US]
    cuts = (starts + before) // 2
    return pl.Series("stretch", np.searchsorted(cuts, bins["bin_at"].dt.timestamp("us").to_numpy(), side="right"))


def field_stretches(
    bins: pl.DataFrame, signals: dict[str, Signals], yield_t_ha: float, zone: str, starts: dt.time
) -> list[Stretch]:
    """Return the work in one field, stretch by stretch.

    Args:
        bins: the field's bins with `machine_id, bin_at, state, area_ha, silent_s`, in order of machine and time.
        signals: what is known of each machine beside its bins.
        yield_t_ha: the field list's yield.
        zone: the season's time zone.
        starts: local time a shift starts.
    """
    lifted = bins.with_columns((pl.col("area_ha") * yield_t_ha).alias("lifted_t"))
    if lifted["lifted_t"].sum() < SMALLEST_T:
        return []
    lifted = lifted.with_columns(_stretch_numbers(lifted), shift_date(pl.col("bin_at"), zone, starts).alias("date"))
    out = []
    for _, part in sorted(lifted.group_by("stretch", maintain_order=True), key=lambda p: p[0]):
        worked = part.filter(pl.col("lifted_t") > 0)
        if not worked.height:
            continue
        streams = [
            _stream(str(m), own, signals[str(m)]) for (m,), own in part.group_by("machine_id", maintain_order=True)
        ]
        moments = worked["bin_at"].dt.timestamp("us").to_numpy() / MINUTE_US
        kept = tuple(s for s in streams if s is not None)
        if kept:
            out.append(Stretch(worked["date"][int(moments.argmin())], moments.min(), moments.max(), kept))
    return out
