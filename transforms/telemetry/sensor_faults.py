"""Sensor fault detection: each fault is a flag with a code; logged values are never overwritten.

Published practice for cleaning harvest logs: Simbahan et al. 2004; Sudduth and Drummond 2007; Vega et al. 2019.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.contracts.result_tables import schema_of
from transforms.geo import METRES_PER_DEG
from transforms.telemetry.stuck import MIN_RECORDS, Mask, is_fluctuating, run_seconds, stuck_records, windows_of

Array = NDArray[np.float64]
SPIKE_STEPS = 8.0
"""A reading this many practical steps from the median of its neighbours is a spike (common practice, no source)."""
DRIFT_WINDOW_MIN, DRIFT_STEPS, DRIFT_T = 15.0, 2.0, 4.0
"""Drift criteria: window for means, minimum median drift in practical steps per day, minimum t value."""
MIN_CHANGES = 8
OFF_PLACE, NO_PLACE = 0.12, 1.0
"""Absolute log ratio of position-based to logged speed: above the first the speed is faulty, above the second the
positions are (common practice).
"""
JUMP_M_S = 15.0
"""Faster movement between two instants is a position error."""


def numeric_settings(frame: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the catalogue's numeric settings that a frame logs at least once.

    Args:
        frame: records or bins with columns of settings.
        catalogue: the settings known.
    """
    return [n for n, s in catalogue.items() if s.nature == "numeric" and n in frame.columns and frame[n].count()]


def logged_settings(frame: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the catalogue's settings that a frame logs at least once: numbers, and flags such as a direction.

    Args:
        frame: records or bins with columns of settings.
        catalogue: the settings known.
    """
    measured = {"numeric", "flag"}
    return [n for n, s in catalogue.items() if s.nature in measured and n in frame.columns and frame[n].count()]


def _drifts(values: Array, window: NDArray[np.int64], step: float) -> bool:
    """Return True if a sensor drifts over the day; False for manual, random or few changes.

    A manual change is a single move; a drifting sensor changes continuously, also between manual changes.
    """
    known = np.isfinite(values)
    # Readings far from the median of the day are not drift.
    near = known & (np.abs(values - np.median(values[known]) if known.any() else values) < SPIKE_STEPS * step)
    if not near.any():
        return False
    count = np.bincount(window[near])
    means = np.bincount(window[near], values[near])[count > 0] / count[count > 0]
    change = np.diff(means) / step
    if change.size < MIN_CHANGES:
        return False
    middle = float(np.median(change))
    # Standard error of a median, which is robust to occasional manual changes.
    error = 1.2533 * 1.4826 * float(np.median(np.abs(change - middle))) / np.sqrt(change.size)
    return abs(middle) * change.size > DRIFT_STEPS and abs(middle) > DRIFT_T * error


def _is_speed_off(working: pl.DataFrame) -> bool:
    """Return True if the logged speed differs from the speed between positions over the day."""
    if not {"lat_deg", "lon_deg", "ground_speed_kmh"} <= set(working.columns) or not working["lat_deg"].count():
        return False
    north = pl.col("lat_deg").diff().shift(-1) * METRES_PER_DEG
    east = pl.col("lon_deg").diff().shift(-1) * METRES_PER_DEG * pl.col("lat_deg").radians().cos()
    next_s = pl.col("logged_at").diff().shift(-1).dt.total_microseconds() / 1e6
    by_speed = (pl.col("ground_speed_kmh") / 3.6 * pl.col("dt_s")).alias("by_speed_m")
    by_position = (north**2 + east**2).sqrt().alias("by_position_m")
    pairs = working.select(by_speed, by_position, next_s.alias("next_s"), "dt_s")
    pairs = pairs.filter((pl.col("next_s") == pl.col("dt_s")) & (pl.col("by_speed_m") > 0)).drop_nulls()
    if pairs.height < 100:
        return False
    ratio = float(pairs.select((pl.col("by_position_m") / pl.col("by_speed_m")).median()).item())
    # Positions that hardly move, or leap, are faulty themselves and give no evidence about the speed.
    return bool(OFF_PLACE < abs(np.log(max(ratio, 1e-6))) < NO_PLACE)


@dataclass(frozen=True)
class WorkingReadings:
    """Readings of one machine-day over its working time of n records.

    Attributes:
        records: the working records of the numeric settings, positions and times.
        by_setting: readings of each setting, NaN if missing, shape (n,).
        steps: practical step of each setting.
        seconds: working seconds since the start, shape (n,).
    """

    records: pl.DataFrame
    by_setting: dict[str, Array]
    steps: dict[str, float]
    seconds: Array

    @cached_property
    def drifting(self) -> frozenset[str]:
        """The settings that drift over the day."""
        window = (self.seconds // (60 * DRIFT_WINDOW_MIN)).astype(np.int64)
        return frozenset(n for n, v in self.by_setting.items() if _drifts(v, window, self.steps[n]))

    @cached_property
    def runs(self) -> dict[str, Array]:
        """Length in seconds of the run of equal values around each record, by setting, shape (n,)."""
        return {n: run_seconds(v, self.seconds) for n, v in self.by_setting.items()}

    @cached_property
    def fluctuating(self) -> frozenset[str]:
        """The settings that fluctuate."""
        every = windows_of(self.seconds) if self.seconds.size >= MIN_RECORDS else None
        return frozenset(n for n, v in self.by_setting.items() if is_fluctuating(v, self.seconds, self.runs[n], every))

    def stuck(self, silent: frozenset[str] = frozenset()) -> dict[str, Mask]:
        """Return masks of the records in which a sensor is stuck, by setting; settings without any are left out.

        Args:
            silent: settings that fluctuate on the machine's other days.
        """
        return stuck_records(self.by_setting, self.runs, self.fluctuating | silent)


def working_readings(records: pl.DataFrame, catalogue: Catalogue) -> WorkingReadings:
    """Return the readings of one machine-day over its working time.

    Args:
        records: records in order of time, with `working` and `dt_s`, the seconds to the next record.
        catalogue: the settings known.
    """
    kept = [c for c in records.columns if c in catalogue or c in {"logged_at", "dt_s", "lat_deg", "lon_deg"}]
    working = records.select(*kept, "working").filter("working")
    names = numeric_settings(working, catalogue)
    by_setting = working.select(pl.col(names).cast(pl.Float64).fill_null(np.nan))
    seconds = working["dt_s"].cum_sum().to_numpy()
    return WorkingReadings(
        working, {n: by_setting[n].to_numpy() for n in names}, {n: catalogue[n].step for n in names}, seconds
    )


@dataclass(frozen=True)
class OtherDays:
    """Results of the machine's other days that change the flags of one day.

    Attributes:
        silent: settings silent on this day that fluctuate on most others: they are stuck.
        questioned: (setting, fault code) flagged on most days: a question for a person, so the readings are kept.
    """

    silent: frozenset[str] = frozenset()
    questioned: frozenset[tuple[str, str]] = frozenset()

    def words(self) -> list[str]:
        """Return the results as sorted words, for a fingerprint."""
        return sorted([*self.silent, *(":".join(pair) for pair in self.questioned)])


def flag_faults(
    records: pl.DataFrame,
    catalogue: Catalogue,
    others: OtherDays | None = None,
    readings: WorkingReadings | None = None,
) -> pl.DataFrame:
    """Flag faulty readings of one machine-day.

    Args:
        records: one machine's records ordered by time, with `working` and `dt_s` (seconds to the next record).
        catalogue: the settings catalogue.
        others: results of the machine's other days; None if there are none.
        readings: readings over working time, if they are computed already.

    Returns:
        The records with a column `fault_<setting>` per setting: null if valid, else `out_of_range`, `spike`, `stuck`,
        `drift` or, for the ground speed, `off_position`.
    """
    known, read = others or OtherDays(), readings or working_readings(records, catalogue)
    working = read.records
    if not working.height or not numeric_settings(records, catalogue):
        return records
    stuck = {n: v for n, v in read.stuck(known.silent).items() if (n, "stuck") not in known.questioned}
    always = {n: "drift" for n in read.drifting if (n, "drift") not in known.questioned}
    if "ground_speed_kmh" not in always and "ground_speed_kmh" in read.by_setting and _is_speed_off(working):
        always["ground_speed_kmh"] = "off_position"
    single = {n: _single_readings(catalogue[n], v, working[n].null_count()) for n, v in read.by_setting.items()}
    verdicts = [
        _verdict(name, single[name], stuck.get(name), always.get(name))
        for name in read.by_setting
        if single[name] or name in stuck or name in always
    ]
    columns, nothing = [f"fault_{n}" for n in read.by_setting], pl.lit(None, dtype=pl.String)
    if not verdicts:
        return records.with_columns(nothing.alias(c) for c in columns)
    names = [verdict.meta.output_name() for verdict in verdicts]
    of_working = pl.when("working").then(pl.col("working").cum_sum() - 1).cast(pl.UInt32)
    rows = records.select(of_working).to_series()
    found = working.with_columns(verdicts).select(pl.col(names).gather(pl.lit(rows)))
    return records.with_columns(found[c] if c in names else nothing.alias(c) for c in columns)


def _single_readings(setting: Setting, values: Array, nulls: int) -> list[tuple[pl.Expr, str]]:
    """Return (condition, fault code) of the faults of single readings that occur or may occur on a day.

    Args:
        setting: the setting.
        values: its readings over working time, NaN if missing, at least one known, shape (n,).
        nulls: number of missing readings; the other NaN were logged as such.
    """
    value, out = pl.col(setting.name), list[tuple[pl.Expr, str]]()
    low, high, apart = _extent(values, nulls)
    if low < setting.low or high > setting.high:
        out.append(((value < setting.low) | (value > setting.high), "out_of_range"))
    if apart > SPIKE_STEPS * setting.step:
        off = (value - value.rolling_median(5, center=True, min_samples=3)).abs()
        out.append((off > SPIKE_STEPS * setting.step, "spike"))
    return out


def _extent(values: Array, nulls: int) -> tuple[float, float, float]:
    """Return the least reading, the greatest, and a bound of their distance from the median of five neighbours.

    No reading is further from that median than the readings of the day are from each other, nor, if none is missing,
    than two moves from one reading to the next. A logged NaN compares as greater than any number: nothing is bounded.
    """
    low, high = float(np.min(values)), float(np.max(values))
    if np.isfinite(high - low):
        # A little more than two moves, because differences are rounded.
        return low, high, min(high - low, 2.0001 * float(np.abs(np.diff(values)).max(initial=0.0)))
    numbers = values[~np.isnan(values)]
    if values.size - numbers.size > nulls:
        return -np.inf, np.inf, np.inf
    low, high = float(numbers.min()), float(numbers.max())
    return low, high, high - low


def _verdict(name: str, single: list[tuple[pl.Expr, str]], stuck: Mask | None, always: str | None) -> pl.Expr:
    """Return the fault code of each working record: the first that applies.

    Args:
        name: name of the setting.
        single: (condition, fault code) of single readings.
        stuck: mask of the records in which the sensor is stuck, shape (n,); None for none.
        always: fault code of all other records; None for none.
    """
    out = pl.lit(always, dtype=pl.String)
    cases = single if stuck is None else [*single, (pl.lit(pl.Series(stuck)), "stuck")]
    for condition, code in reversed(cases):
        out = pl.when(condition).then(pl.lit(code)).otherwise(out)
    return out.alias(f"fault_{name}")


FAULT = schema_of("sensor_fault", without=("machine", "day"))


def fault_stretches(records: pl.DataFrame) -> pl.DataFrame:
    """Return the faults by setting and code: `machine_id, setting, fault_code, from_at, to_at, records, size`."""
    columns = [c for c in records.columns if c.startswith("fault_") and records[c].count()]
    if not columns:
        return pl.DataFrame(schema=FAULT)
    frames = [
        records.lazy()
        .select("machine_id", "logged_at", fault_code=c)
        .drop_nulls("fault_code")
        .group_by("machine_id", "fault_code", maintain_order=True)
        .agg(
            pl.lit(c.removeprefix("fault_")).alias("setting"),
            pl.col("logged_at").min().alias("from_at"),
            pl.col("logged_at").max().alias("to_at"),
            pl.len().cast(pl.Int64).alias("records"),
            pl.lit(None, dtype=pl.Float64).alias("size"),
        )
        .select(*FAULT)
        for c in columns
    ]
    return pl.concat(pl.collect_all(frames)).sort("setting", "fault_code")


def mask_invalid_positions(records: pl.DataFrame) -> pl.DataFrame:
    """Set positions to null that are zero or that jump faster than a machine can drive; `records` need `dt_s`."""
    north = pl.col("lat_deg").diff() * METRES_PER_DEG
    east = pl.col("lon_deg").diff() * METRES_PER_DEG * pl.col("lat_deg").radians().cos()
    jump = (north**2 + east**2).sqrt() / pl.col("dt_s").shift(1) > JUMP_M_S
    zero = (pl.col("lat_deg").abs() < 1e-6) & (pl.col("lon_deg").abs() < 1e-6)
    bad = (jump.fill_null(value=False) & jump.shift(-1).fill_null(value=False)) | zero
    return records.with_columns(pl.when(~bad).then(pl.col(c)).alias(c) for c in ("lat_deg", "lon_deg"))
