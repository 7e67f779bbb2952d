"""Activity of sensors by machine-day: set points, sensors stuck for a whole day, and rules that flag most days."""

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.telemetry.sensor_faults import OtherDays, WorkingReadings, working_readings

MIN_SHARE = 0.5
"""A sensor silent for a day is stuck if it fluctuates on more than this share of the machine's days; a rule that flags
a sensor on more than this share of them asks instead (assumption).
"""
MIN_DAYS = 4
"""Machine-days before a rule asks instead of flagging (assumption)."""
RULES = ("stuck", "drift")
"""Rules that judge a sensor by its behaviour. The others judge a single reading, or have positions as evidence."""
ACTIVITY = {"setting": pl.String, "fluctuates": pl.Boolean, "stuck": pl.Boolean, "drift": pl.Boolean}
BY_DAY = ["machine", "day"]


def sensor_activity(
    records: pl.DataFrame, catalogue: Catalogue, readings: WorkingReadings | None = None
) -> pl.DataFrame:
    """Return `setting, fluctuates, stuck, drift` of one machine-day; no rows without working time.

    The last two are what the rules would flag by this day alone, so that they do not depend on the other days.

    Args:
        records: the machine-day in order of time, with `working`, `dt_s` (seconds to the next record) and settings.
        catalogue: the settings known.
        readings: readings over working time, if they are computed already.
    """
    read = readings or working_readings(records, catalogue)
    alive, drifting, stuck = read.fluctuating, read.drifting, read.stuck()
    rows = [(n, n in alive, n in stuck, n in drifting) for n in read.by_setting]
    return pl.DataFrame(rows, schema=ACTIVITY, orient="row")


def questioned_sensors(activity: pl.DataFrame) -> pl.DataFrame:
    """Return the sensors that a rule flags on most of a machine's days: `machine, setting, fault_code, flagged, days`.

    Args:
        activity: rows of `sensor_activity`, all machines.
    """
    days = activity.group_by("machine", "setting", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("days"), pl.col(RULES).sum()
    )
    long = days.unpivot(RULES, index=["machine", "setting", "days"], variable_name="fault_code", value_name="flagged")
    often = (pl.col("days") >= MIN_DAYS) & (pl.col("flagged") > MIN_SHARE * pl.col("days"))
    return (
        long.filter(often)
        .select("machine", "setting", "fault_code", pl.col("flagged").cast(pl.Int64), "days")
        .sort("machine", "setting", "fault_code")
    )


def other_days(activity: pl.DataFrame) -> dict[tuple[str, str], OtherDays]:
    """Return what the machine's other days say about each day's sensors, by (machine, day); days without are left out.

    Args:
        activity: rows of `sensor_activity`, all machines.
    """
    asked = questioned_sensors(activity).select("machine", "setting", "fault_code")
    share = pl.col("fluctuates").mean().over("machine", "setting")
    silent = activity.filter((share > MIN_SHARE) & ~pl.col("fluctuates")).join(
        asked.filter(fault_code="stuck"), on=["machine", "setting"], how="anti"
    )
    flagged = activity.unpivot(RULES, index=[*BY_DAY, "setting"], variable_name="fault_code", value_name="is_flagged")
    kept = flagged.filter("is_flagged").join(asked, on=["machine", "setting", "fault_code"], how="semi")
    names: dict[tuple[str, str], set[str]] = {}
    pairs: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for machine, day, setting in silent.select(*BY_DAY, "setting").iter_rows():
        names.setdefault((machine, day), set()).add(setting)
    for machine, day, setting, code in kept.select(*BY_DAY, "setting", "fault_code").iter_rows():
        pairs.setdefault((machine, day), set()).add((setting, code))
    return {key: OtherDays(frozenset(names.get(key, ())), frozenset(pairs.get(key, ()))) for key in {*names, *pairs}}
