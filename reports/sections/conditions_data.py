"""Data of the section on rain and topsoil wetness."""

from dataclasses import dataclass

import polars as pl

from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class ConditionsData:
    """Contents of the section on conditions.

    Attributes:
        now: latest conditions by station and soil class, rows of `condition_now`; empty without weather.
        wetness: topsoil wetness by soil class over the last ten days, rows of `wetness_course`.
        rain: rain of each of the last ten days, rows of `rain_course`.
    """

    now: pl.DataFrame
    wetness: pl.DataFrame
    rain: pl.DataFrame


def load_conditions(warehouse: Warehouse, zone: str) -> ConditionsData:
    """Return the contents of the section on conditions, with days of the time zone `zone`."""
    return ConditionsData(
        now=warehouse.query("condition_now"),
        wetness=warehouse.query("wetness_course"),
        rain=warehouse.query("rain_course", zone=zone),
    )
