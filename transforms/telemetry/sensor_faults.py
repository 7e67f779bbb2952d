"""Sensor faults: each is a flag with a reason; the logged value itself is never overwritten.

Practice for cleaning harvest logs: Simbahan et al. 2004; Sudduth and Drummond 2007; Vega et al. 2019.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.telemetry.stuck import stuck_records

Array = NDArray[np.float64]
SPIKE_STEPS = 8.0
"""A reading this many practical steps from its neighbours' median is a spike (common practice, no source)."""
DRIFT_WINDOW_MIN, DRIFT_STEPS, DRIFT_T = 15.0, 2.0, 4.0
"""A sensor drifts where its means of so many minutes creep, at the median, by so many practical steps a day, surely."""
FEWEST_CHANGES = 8
OFF_PLACE, NO_PLACE = 0.12, 1.0
"""A speed whose log differs by more than this from the way between positions is not believed (common practice)."""
JUMP_M_S = 15.0
"""Faster than this between two instants is a jump of position, not of the machine."""


def numeric_settings(frame: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the catalogue's numeric settings that a frame logs at least once."""
    return [n for n, s in catalogue.items() if s.nature == "numeric" and n in frame.columns and frame[n].count()]


def _drifts(values: Array, window: NDArray[np.int64], step: float) -> bool:
    """Whether a sensor creeps over the day; not where its changes are by hand, by chance, or few.

    A hand moves a setting at once and leaves it; a sensor that drifts goes on and on, also between such moves.
    """
    known = np.isfinite(values)
    # What lies far off the day's course is no creeping.
    near = known & (np.abs(values - np.median(values[known]) if known.any() else values) < SPIKE_STEPS * step)
    if not near.any():
        return False
    count = np.bincount(window[near])
    means = np.bincount(window[near], values[near])[count > 0] / count[count > 0]
    change = np.diff(means) / step
    if change.size < FEWEST_CHANGES:
        return False
    middle = float(np.median(change))
    # Of a median; hands move a setting now and then, a drift moves it always.
    error = 1.2533 * 1.4826 * float(np.median(np.abs(change - middle))) / np.sqrt(change.size)
    return abs(middle) * change.size > DRIFT_STEPS and abs(middle) > DRIFT_T * error


def _off_its_way(working: pl.DataFrame) -> bool:
    """Whether the logged speed differs from the way between positions, over the day."""
    if not {"lat_deg", "lon_deg", "ground_speed_kmh"} <= set(working.columns) or not working["lat_deg"].count():
        return False
    north = pl.col("lat_deg").diff().shift(-1) * 111_320.0
    east = pl.col("lon_deg").diff().shift(-1) * 111_320.0 * pl.col("lat_deg").radians().cos()
    next_s = pl.col("logged_at").diff().shift(-1).dt.total_microseconds() / 1e6
    told = (pl.col("ground_speed_kmh") / 3.6 * pl.col("dt_s")).alias("told")
    pairs = working.select(told, (north**2 + east**2).sqrt().alias("went"), next_s.alias("next_s"), "dt_s")
    pairs = pairs.filter((pl.col("next_s") == pl.col("dt_s")) & (pl.col("told") > 0)).drop_nulls()
    if pairs.height < 100:
        return False
    ratio = float((pairs["went"] / pairs["told"]).median())  # type: ignore[arg-type]
    # A place that hardly moves, or leaps, is itself at fault and says nothing of the speed.
    return bool(OFF_PLACE < abs(np.log(max(ratio, 1e-6))) < NO_PLACE)


def flag_faults(records: pl.DataFrame, catalogue: Catalogue, usually: frozenset[str] = frozenset()) -> pl.DataFrame:
    """Flag what is not believed of one machine-day.

    Args:
        records: one machine's records in order of time, with `working` and `dt_s` (seconds to the next record).
        catalogue: the settings known.
        usually: settings that fluctuate on the machine's other days.

    Returns:
        The records with a column `fault_<setting>` each: null where believed, else `out_of_range`, `spike`, `stuck`,
        `drift` or, for the ground speed, `off_position`.
    """
    names = numeric_settings(records, catalogue)
    if not names:
        return records
    working = records.filter("working")
    if not working.height:
        return records
    seconds = working["dt_s"].cum_sum().to_numpy()
    readings = {n: working[n].cast(pl.Float64).fill_null(np.nan).to_numpy() for n in names}
    stuck = stuck_records(readings, seconds, usually)
    window = (seconds // (60 * DRIFT_WINDOW_MIN)).astype(np.int64)
    off_its_way = "ground_speed_kmh" in names and _off_its_way(working)
    verdicts = []
    for name in names:
        setting, value = catalogue[name], pl.col(name)
        drifts = _drifts(readings[name], window, setting.step)
        off = (value - value.rolling_median(5, center=True, min_samples=3)).abs()
        verdicts.append(
            pl.when((value < setting.low) | (value > setting.high))
            .then(pl.lit("out_of_range"))
            .when(off > SPIKE_STEPS * setting.step)
            .then(pl.lit("spike"))
            .when(pl.Series(stuck[name]))
            .then(pl.lit("stuck"))
            .when(pl.lit(drifts))
            .then(pl.lit("drift"))
            .when(pl.lit(name == "ground_speed_kmh" and off_its_way))
            .then(pl.lit("off_position"))
            .alias(f"fault_{name}")
        )
    faults = working.with_columns(verdicts).select("logged_at", *(f"fault_{n}" for n in names))
    return records.join(faults, on="logged_at", how="left", maintain_order="left")


FAULT: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "setting": pl.String,
    "reason": pl.String,
    "from_at": pl.Datetime("us", "UTC"),
    "to_at": pl.Datetime("us", "UTC"),
    "records": pl.Int64,
    "size": pl.Float64,
}


def fault_stretches(records: pl.DataFrame) -> pl.DataFrame:
    """Return the flagged stretches: `machine_id, setting, reason, from_at, to_at, records, size`."""
    columns = [c for c in records.columns if c.startswith("fault_") and records[c].count()]
    frames = [
        records.filter(pl.col(c).is_not_null())
        .group_by("machine_id", pl.col(c).alias("reason"), maintain_order=True)
        .agg(
            pl.col("logged_at").min().alias("from_at"),
            pl.col("logged_at").max().alias("to_at"),
            pl.len().alias("records"),
        )
        .with_columns(pl.lit(c.removeprefix("fault_")).alias("setting"))
        for c in columns
    ]
    if not frames:
        return pl.DataFrame(schema=FAULT)
    out = pl.concat(frames).select(
        "machine_id",
        "setting",
        "reason",
        "from_at",
        "to_at",
        pl.col("records").cast(pl.Int64),
        pl.lit(None, dtype=pl.Float64).alias("size"),
    )
    return out.sort("setting", "reason")


def believed_position(records: pl.DataFrame) -> pl.DataFrame:
    """Null positions that are zero or that jump faster than a machine can."""
    metres_per_deg = 111_320.0
    north = pl.col("lat_deg").diff() * metres_per_deg
    east = pl.col("lon_deg").diff() * metres_per_deg * pl.col("lat_deg").radians().cos()
    jump = (north**2 + east**2).sqrt() / pl.col("dt_s").shift(1) > JUMP_M_S
    zero = (pl.col("lat_deg").abs() < 1e-6) & (pl.col("lon_deg").abs() < 1e-6)
    bad = (jump.fill_null(value=False) & jump.shift(-1).fill_null(value=False)) | zero
    return records.with_columns(pl.when(~bad).then(pl.col(c)).alias(c) for c in ("lat_deg", "lon_deg"))
