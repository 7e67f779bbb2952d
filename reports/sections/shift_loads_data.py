"""Data of the section on the dirtiest loads of a shift for their conditions."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class WorstLoadsData:
    """Contents of the section on the dirtiest loads.

    Attributes:
        loads: rows of `worst_load`, dirtiest for its conditions first; empty if no load is measured.
        sources: contributions to each load's difference from the typical load, rows of `worst_load_contributions`.
    """

    loads: pl.DataFrame
    sources: pl.DataFrame


def load_worst_loads(warehouse: Warehouse, shift: dt.date | None) -> WorstLoadsData:
    """Return the dirtiest loads of a shift; empty without a shift."""
    loads = warehouse.query("worst_load", shift_date=shift)
    return WorstLoadsData(loads, warehouse.query("worst_load_contributions", load_ids=loads["load_id"].to_list()))
