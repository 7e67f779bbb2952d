"""Set points and reached values side by side, and left beside right: their differences by machine.

A control, such as that of share depth, may hold another value than the one set, and two sides of a machine may be set
apart. The fit uses the reached value, the mean of both sides. A lasting difference is a finding of the machine.
"""

from typing import Any

import polars as pl
from scipy.stats import t

from transforms.config.settings_catalogue import LEFT, RIGHT, SET_POINT, Catalogue, Setting
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of

OF_SET_POINT, OF_SIDES = "set", "sides"
"""Kinds of differences: reached less set, and left less right."""
MIN_DAYS = 3
"""Minimum number of machine-days with a difference before it counts as lasting."""
SMALLEST_STEPS = 0.5
"""Smaller mean differences, in practical steps, are within what an operator can set (common practice, no source)."""
GAP_DAY_SCHEMA = pl.Schema(
    {"machine_id": pl.String, "setting": pl.String, "kind": pl.String, "gap": pl.Float64, "bins": pl.Int64}
)
OFFSET_SCHEMA = schema_of("set_point_offset")


def companions_in(frame: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the set points and sides of settings that a frame logs at least once.

    Args:
        frame: records or bins.
        catalogue: the settings known.
    """
    return [c for s in catalogue.values() for c in s.companions.values() if c in frame.columns and frame[c].count()]


def add_reached_values(records: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return records whose settings are the reached value: as logged, else the mean of both sides, else the set point.

    Args:
        records: telemetry.
        catalogue: the settings known.
    """
    logged = set(companions_in(records, catalogue))
    changed = []
    for s in catalogue.values():
        of = {kind: c for kind, c in s.companions.items() if c in logged}
        sides = [(pl.col(of[LEFT]) + pl.col(of[RIGHT])) / 2] if {LEFT, RIGHT} <= of.keys() else []
        known = [pl.col(s.name)] if s.name in records.columns else []
        sources = [*known, *sides, *([pl.col(of[SET_POINT])] if SET_POINT in of else [])]
        if len(sources) > len(known):
            changed.append(pl.coalesce(sources).alias(s.name))
    return records.with_columns(changed)


def _gaps(setting: Setting, bins: pl.DataFrame) -> dict[str, pl.Expr]:
    """Return the differences of a setting that the bins allow, by kind."""
    has = {kind: c for kind, c in setting.companions.items() if c in bins.columns}
    out = {}
    if SET_POINT in has and setting.name in bins.columns:
        out[OF_SET_POINT] = pl.col(setting.name) - pl.col(has[SET_POINT])
    if {LEFT, RIGHT} <= has.keys():
        out[OF_SIDES] = pl.col(has[LEFT]) - pl.col(has[RIGHT])
    return out


def gaps_of_day(bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return the mean differences of a machine-day, one row per setting and kind: `GAP_DAY_SCHEMA`.

    Args:
        bins: bins of the machine-day; means over working time.
        catalogue: the settings known.
    """
    rows = []
    for s in catalogue.values():
        for kind, gap in _gaps(s, bins).items():
            found = bins.select(gap.mean().alias("gap"), gap.count().alias("bins")).row(0, named=True)
            if found["bins"]:
                rows.append({"machine_id": bins["machine_id"][0], "setting": s.name, "kind": kind, **found})
    return pl.DataFrame(rows, schema=GAP_DAY_SCHEMA)


def set_point_offsets(days: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return `set_point_offset`: the mean difference of each machine and setting over its days, and if it lasts.

    Days count equally, because a difference is reset from day to day rather than from minute to minute. It lasts if its
    interval excludes zero, it is at least half a practical step, and there are at least three days.

    Args:
        days: differences of machine-days, `GAP_DAY_SCHEMA`.
        catalogue: the settings known.
    """
    known = days.filter(pl.col("setting").is_in(list(catalogue)))
    means = known.group_by("machine_id", "setting", "kind", maintain_order=True).agg(
        pl.col("gap").mean(), pl.col("gap").std().alias("sd"), pl.len().alias("days"), pl.col("bins").sum()
    )
    rows = [_offset(r, catalogue[r["setting"]]) for r in means.iter_rows(named=True)]
    return pl.DataFrame(rows, schema=OFFSET_SCHEMA).sort("machine_id", "setting", "kind")


def _offset(r: dict[str, Any], setting: Setting) -> dict[str, Any]:
    """Return a row of `set_point_offset`; without an interval if there are too few days."""
    if r["days"] < MIN_DAYS:
        return {**r, **reason("offset_few_days", days=MIN_DAYS).columns}
    half = float(t.ppf(0.975, r["days"] - 1)) * r["sd"] / r["days"] ** 0.5
    lasts = abs(r["gap"]) > half and abs(r["gap"]) >= SMALLEST_STEPS * setting.step
    found = reason("offset_lasts" if lasts else "offset_none")
    return {**r, "lo95": r["gap"] - half, "hi95": r["gap"] + half, **found.columns}
