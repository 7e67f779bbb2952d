"""Data for the visual check of one load: its machine's minutes and emptyings, and the passes in its field."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.arrays import narrow
from transforms.contracts.reason import Reason, reason
from transforms.errors import WorkspaceError
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

BEFORE_MIN, AFTER_MIN = 45, 20
"""Minutes shown before the load's first minute and after its weighing."""


class UntracedLoadError(Exception):
    """No part of a load was traced."""

    def __init__(self, load_id: str, why: Reason) -> None:
        self.load_id, self.why = load_id, why
        super().__init__(f"load '{load_id}' was not traced: {why.code}")

    def __reduce__(self) -> tuple[type["UntracedLoadError"], tuple[str, Reason]]:
        """Keep the load and the reason when another process raises the error."""
        return UntracedLoadError, (self.load_id, self.why)


@dataclass(frozen=True)
class LoadPicture:
    """One load and its surroundings; all times are on the machine's own clock.

    Attributes:
        load: one row with the load's ticket, grade, machine and clock offsets.
        minutes: `bin_at, state, tank_t, lifted_t, share`: the machine's bins around the load; `lifted_t` is the mass
            lifted since the last emptying, `share` the bin's share of the load.
        emptied: `started_at, found_by` of the machine's emptyings in the same period.
        passes: every working bin of the field with its position, settings and share of the load.
    """

    load: pl.DataFrame
    minutes: pl.DataFrame
    emptied: pl.DataFrame
    passes: pl.DataFrame


def _minutes(bins: pl.DataFrame, emptied: pl.DataFrame, trace: pl.DataFrame, yield_t_ha: float) -> pl.DataFrame:
    """Return `LoadPicture.minutes`."""
    since = emptied.select(pl.col("started_at").alias("emptied_at")).sort("emptied_at")
    with_last_emptying = bins.sort("bin_at").join_asof(since, left_on="bin_at", right_on="emptied_at")
    lifted = (pl.col("area_ha") * yield_t_ha).fill_null(0.0)
    return (
        with_last_emptying.with_columns(
            lifted.cum_sum().over(pl.col("emptied_at").fill_null(pl.col("bin_at").min())).alias("lifted_t")
        )
        .join(trace.select("bin_at", "share"), on="bin_at", how="left", maintain_order="left")
        .select("bin_at", "state", "tank_t", "lifted_t", pl.col("share").fill_null(0.0))
    )


def _span(own: pl.DataFrame, weighed_at: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """Return the period to show, which starts before the load's first minute and ends after its weighing."""
    begun = narrow(own["bin_at"].min(), dt.datetime)
    ended = narrow(own["bin_at"].max(), dt.datetime)
    return begun - dt.timedelta(minutes=BEFORE_MIN), max(weighed_at, ended) + dt.timedelta(minutes=AFTER_MIN)


def load_picture(load_id: str, warehouse: Warehouse, lake: Lake) -> LoadPicture:
    """Return one load and its surroundings.

    Args:
        load_id: the load.
        warehouse: the warehouse of the workspace, after tracing.
        lake: the lake of the workspace, with the bins.

    Raises:
        WorkspaceError: there is no such load.
        UntracedLoadError: no part of it was traced.
        DamagedError: a bin file of its machine or field is missing or damaged.
    """
    load = warehouse.query("load_traced", load_id=load_id)
    if not load.height:
        raise WorkspaceError(
            "there is no load '{load}'", where="the weigh tickets", remedy="check the ticket's number", load=load_id
        )
    row = load.row(0, named=True)
    trace = warehouse.query("load_bin", load_id=load_id)
    if row["machine_id"] is None or not trace.height:
        known = row["reason_code"] is not None
        why = Reason(row["reason_code"], row["reason_args"]) if known else reason("load_not_processed")
        raise UntracedLoadError(load_id, why)
    own = trace.filter(pl.col("machine_id") == row["machine_id"])
    first, last = _span(own, row["weighed_true_at"] + dt.timedelta(minutes=row["machine_ahead_min"]))
    days = sorted({first.date(), own["bin_at"].dt.date()[-1], last.date()})
    about = pl.col("bin_at").is_between(first, last)
    bins = pl.concat([lake.bins_of_day(row["machine_id"], d) for d in days], how="diagonal").filter(about)
    events = warehouse.query("machine_unload", machine_id=row["machine_id"], from_at=first, to_at=last)
    paths = warehouse.query("field_bin_day", field_id=row["field_id"])
    frames = [read_frame(lake.bin_path(m, d)) for m, d in paths.select("machine", "day").iter_rows()]
    in_field = pl.concat(frames, how="diagonal").filter(
        (pl.col("field_id") == row["field_id"]) & (pl.col("area_ha") > 0) & pl.col("lat_deg").is_not_null()
    )
    passes = in_field.join(trace, on=["machine_id", "bin_at"], how="left", maintain_order="left")
    minutes = _minutes(bins, events, own, row["yield_t_ha"])
    return LoadPicture(load, minutes, events, passes.with_columns(pl.col("share").fill_null(0.0)))
