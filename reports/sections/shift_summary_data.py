"""Data of the first page after a shift: advice, its outcome, weather ahead and subjects that need a look."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from reports.sections.outcome_data import OutcomeData, load_outcome
from transforms.config.workspace import Season
from transforms.model.specification import MIN_TRACE_QUALITY
from transforms.storage.product_basis import ADVICE, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class ShiftSummaryData:
    """Contents of the first page after a shift.

    Attributes:
        shift: date of the latest shift; None without loads.
        advice: rows of `advice`, for the next shift.
        status: state of the advice compared with the last fit and the last shift.
        outcomes: rows of `advice_outcome`: one per machine with advice, largest gain first.
        weather: the row of `weather_ahead`.
        machines: rows of `shift_machine`.
        reasons: rows of `machine_reason`.
        silent: rows of `silent_machine`.
        untraced: rows of `untraced_load`: loads traced too poorly for the fit.
        followed: rows of `advice_followed`: the changes advised for the latest shift, and what the machines did.
        parts: rows of `part_advice`: changes of fitted parts for the days ahead.
        offsets: rows of `set_point_offset`: differences between set and reached values, and between sides.
        outcome: outcome of the advice of the season so far.
    """

    shift: dt.date | None
    advice: pl.DataFrame
    status: ProductStatus
    outcomes: pl.DataFrame
    weather: pl.DataFrame
    machines: pl.DataFrame
    reasons: pl.DataFrame
    silent: pl.DataFrame
    untraced: pl.DataFrame
    followed: pl.DataFrame
    parts: pl.DataFrame
    offsets: pl.DataFrame
    outcome: OutcomeData


def load_shift_summary(warehouse: Warehouse, season: Season) -> ShiftSummaryData:
    """Return the contents of the first page after the latest shift."""
    shift: dt.date | None = warehouse.query("last_shift")["shift_date"][0]
    return ShiftSummaryData(
        shift=shift,
        advice=warehouse.table("advice"),
        status=product_status(warehouse, ADVICE),
        outcomes=warehouse.query("advice_outcome", shift_date=shift),
        weather=warehouse.query("weather_ahead"),
        machines=warehouse.query("shift_machine", shift_date=shift),
        reasons=warehouse.query("machine_reason", shift_date=shift),
        silent=warehouse.query("silent_machine", hours=season.notify.silent_machine_h),
        untraced=warehouse.query("untraced_load", shift_date=shift, quality=MIN_TRACE_QUALITY),
        followed=warehouse.query("advice_followed", shift_date=shift),
        parts=warehouse.table("part_advice"),
        offsets=warehouse.table("set_point_offset"),
        outcome=load_outcome(warehouse),
    )
