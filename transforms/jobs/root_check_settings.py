"""Settings of root checks: those of the traced load, else those of the last minutes of lifting before the check."""

import datetime as dt

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.storage.lake import NO_BINS, Lake, LakePath, read_frame
from transforms.storage.warehouse import Warehouse
from transforms.trace.check_settings import REACH_H, check_settings
from transforms.trace.clock_use import latest_clocks
from transforms.trace.lag_model import LagModel

LONGEST_REACH = dt.timedelta(hours=max(REACH_H.values()))


def root_check_settings(warehouse: Warehouse, lake: Lake, learnt: LagModel, catalogue: Catalogue) -> pl.DataFrame:
    """Return the settings of every root check, from the tables of traced loads and the bins.

    Args:
        warehouse: the warehouse, after its loads are traced.
        lake: the lake with the bins.
        learnt: the lag model; corrects wrong clocks of machines.
        catalogue: the settings catalogue.

    Returns:
        `check_id, machine_id, field_id, worked_at, trace_quality, <setting>`: from the load if its ticket is known,
        else from the minutes before the check; a check without either has no row.

    Raises:
        DamagedError: a bin file is damaged.
    """
    checks = warehouse.table("root_check")
    loads = warehouse.table("load").select("load_id")
    of_loads = _of_loads(checks.join(loads, on="load_id", maintain_order="left"), warehouse, catalogue)
    others = checks.join(loads, on="load_id", how="anti", maintain_order="left")
    bins = _bins_before(others, warehouse, lake, learnt)
    return pl.concat([of_loads, check_settings(others, bins, catalogue)]).sort("check_id")


def _of_loads(checks: pl.DataFrame, warehouse: Warehouse, catalogue: Catalogue) -> pl.DataFrame:
    """Return the settings of the checks of known loads; those of an untraced load are null, with quality 0."""
    settings = warehouse.table("load_setting").rename({"lifted_at": "worked_at"})
    grades = warehouse.table("load_trace_grade").select("load_id", "trace_quality")
    joined = (
        checks.select("check_id", "load_id")
        .join(settings, on="load_id", how="left", maintain_order="left")
        .join(grades, on="load_id", how="left", maintain_order="left")
    )
    quality = pl.col("trace_quality").fill_null(0.0)
    return joined.select("check_id", "machine_id", "field_id", "worked_at", quality, *catalogue)


def _bins_before(checks: pl.DataFrame, warehouse: Warehouse, lake: Lake, learnt: LagModel) -> pl.DataFrame:
    """Return the bins of the machine-days that checks may be from, with `worked_at` by the true clock."""
    in_field: dict[tuple[str, str], list[str]] = {}
    for machine, day, field_id in warehouse.table("field_day").sort("field_id", "machine", "day").iter_rows():
        in_field.setdefault((field_id, day), []).append(machine)
    paths = set[tuple[str, str]]()
    for machine_id, field_id, at in checks.select("machine_id", "field_id", "checked_at").iter_rows():
        for day in _days_before(at):
            named = [lake.folder_name(machine_id)] if machine_id is not None else in_field.get((field_id, day), [])
            paths.update((machine, day) for machine in named)
    frames = [_on_true_clock(lake.bin_path(*p), dt.date.fromisoformat(p[1]), learnt) for p in sorted(paths)]
    empty = pl.DataFrame(schema={**NO_BINS, "worked_at": NO_BINS["bin_at"]})
    return pl.concat([empty, *frames], how="diagonal_relaxed")


def _days_before(at: dt.datetime) -> list[str]:
    """Return the UTC days within the longest reach of a check, with the next, because a clock may run ahead."""
    first, last = (at - LONGEST_REACH).date(), at.date() + dt.timedelta(days=1)
    return [str(first + dt.timedelta(days=k)) for k in range((last - first).days + 1)]


def _on_true_clock(path: LakePath, day: dt.date, learnt: LagModel) -> pl.DataFrame:
    """Return the bins of a machine-day with `worked_at`; no rows if the machine has none that day."""
    if not path.exists():
        return pl.DataFrame(schema={**NO_BINS, "worked_at": NO_BINS["bin_at"]})
    ahead = latest_clocks(learnt.by_day, day).machine_ahead_min
    wrong_s = pl.col("machine_id").replace_strict({m: 60.0 * a for m, a in ahead.items()}, default=0.0)
    bins = read_frame(path)
    return bins.with_columns((pl.col("bin_at") - pl.duration(microseconds=wrong_s * 1e6)).alias("worked_at"))
