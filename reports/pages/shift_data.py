"""Data of the pages after a shift."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from reports.sections.conditions_data import ConditionsData, load_conditions
from reports.sections.district_map_data import DistrictMapData, load_district_map
from reports.sections.effects_data import EffectsData, load_effects
from reports.sections.health_data import FooterData, HealthData, load_footer, load_health
from reports.sections.shift_loads_data import WorstLoadsData, load_worst_loads
from reports.sections.shift_machines_data import ShiftMachinesData, load_shift_machines
from reports.sections.shift_summary_data import ShiftSummaryData, load_shift_summary
from transforms.config.workspace import Season
from transforms.storage.product_basis import ADVICE, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class ShiftPageData:
    """Contents of the pages after a shift.

    Attributes:
        shift: date of the latest shift; None without loads.
        summary: contents of the first page.
        district: fields, machines and factories for the map of the shift.
        loads: rows of `shift_load`.
        advice: rows of `advice`, for the next shift.
        advice_worth: gain of all moves of each machine together, largest gain first.
        advice_status: state of the advice compared with the last fit and the last shift.
        sites: machine -> factories that receive its loads, separated by `|`.
        shift_machines: machines of the shift.
        worst_loads: dirtiest loads for their conditions.
        conditions: rain and topsoil wetness.
        effects: effects of one step of each setting.
        health: data received and its quality.
        footer: fits and row counts.
    """

    shift: dt.date | None
    summary: ShiftSummaryData
    district: DistrictMapData
    loads: pl.DataFrame
    advice: pl.DataFrame
    advice_worth: pl.DataFrame
    advice_status: ProductStatus
    sites: dict[str, str]
    shift_machines: ShiftMachinesData
    worst_loads: WorstLoadsData
    conditions: ConditionsData
    effects: EffectsData
    health: HealthData
    footer: FooterData


def load_shift_page(warehouse: Warehouse, season: Season) -> ShiftPageData:
    """Return the contents of the pages after the latest shift."""
    shift: dt.date | None = warehouse.query("last_shift")["shift_date"][0]
    return ShiftPageData(
        shift=shift,
        summary=load_shift_summary(warehouse, season),
        district=load_district_map(warehouse, season, shift),
        loads=warehouse.query("shift_load", shift_date=shift),
        advice=warehouse.table("advice"),
        advice_worth=warehouse.query("advice_worth", shift_date=shift),
        advice_status=product_status(warehouse, ADVICE),
        sites=dict(warehouse.query("machine_site").iter_rows()),
        shift_machines=load_shift_machines(warehouse, shift),
        worst_loads=load_worst_loads(warehouse, shift),
        conditions=load_conditions(warehouse, season.time_zone),
        effects=load_effects(warehouse),
        health=load_health(warehouse),
        footer=load_footer(warehouse),
    )
