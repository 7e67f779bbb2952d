"""Data of the section on the machines of a shift."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class ShiftMachinesData:
    """Contents of the section on the machines of a shift.

    Attributes:
        machines: one row of `shift_machine` per machine.
        course: conditions and settings through the shift by machine, rows of `shift_course`.
        decisions: setting changes of the shift, rows of `setting_decision`.
        passes: sample of the half minutes of lifting, rows of `shift_pass`.
    """

    machines: pl.DataFrame
    course: pl.DataFrame
    decisions: pl.DataFrame
    passes: pl.DataFrame


def load_shift_machines(warehouse: Warehouse, shift: dt.date | None) -> ShiftMachinesData:
    """Return the machines of a shift; empty without a shift."""
    return ShiftMachinesData(
        machines=warehouse.query("shift_machine", shift_date=shift),
        course=warehouse.table("shift_course"),
        decisions=warehouse.table("setting_decision"),
        passes=warehouse.table("shift_pass"),
    )
