"""Activity of sensors by machine-day: distinguishes a set point from a sensor that is stuck for a whole day."""

import numpy as np
import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.telemetry.sensor_faults import numeric_settings
from transforms.telemetry.stuck import is_fluctuating, run_seconds

MIN_SHARE = 0.5
"""A sensor silent for a day is stuck if it fluctuates on more than this share of the machine's days (assumption)."""
ACTIVITY = {"setting": pl.String, "fluctuates": pl.Boolean}


def sensor_activity(records: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return `setting, fluctuates` of one machine-day; no rows without working time.

    Args:
        records: the machine-day in order of time, with `working`, `dt_s` (seconds to the next record) and settings.
        catalogue: the settings known.
    """
    working = records.filter("working")
    if not working.height:
        return pl.DataFrame(schema=ACTIVITY)
    seconds = working["dt_s"].cum_sum().to_numpy()
    rows = []
    for name in numeric_settings(working, catalogue):
        values = working[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        rows.append((name, is_fluctuating(values, seconds, run_seconds(values, seconds))))
    return pl.DataFrame(rows, schema=ACTIVITY, orient="row")


def silent_sensors(activity: pl.DataFrame) -> dict[tuple[str, str], frozenset[str]]:
    """Return the settings silent on a day but fluctuating on most days of the machine, by (machine, day)."""
    share = pl.col("fluctuates").mean().over("machine", "setting")
    silent = activity.filter((share > MIN_SHARE) & ~pl.col("fluctuates"))
    days = silent.group_by("machine", "day", maintain_order=True).agg("setting")
    return {(m, d): frozenset(names) for m, d, names in days.iter_rows()}
