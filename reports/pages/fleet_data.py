"""Data of the fleet page."""

from dataclasses import dataclass

import polars as pl

from reports.sections.district_map_data import DistrictMapData, load_district_map
from reports.sections.health_data import FooterData, HealthData, load_footer, load_health
from transforms.config.workspace import Season
from transforms.storage.product_basis import BENCHMARK, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class FleetPageData:
    """Contents of the fleet page.

    Attributes:
        comparison: one row of `benchmark` per response and subject: machine, operator, grower, field or season.
        district: fields, machines and factories for the map of the season.
        status: state of the comparison compared with the last fit.
        health: data received and its quality.
        footer: fits and row counts.
    """

    comparison: pl.DataFrame
    district: DistrictMapData
    status: ProductStatus
    health: HealthData
    footer: FooterData


def load_fleet_page(warehouse: Warehouse, season: Season) -> FleetPageData:
    """Return the contents of the fleet page."""
    return FleetPageData(
        comparison=warehouse.table("benchmark"),
        district=load_district_map(warehouse, season),
        status=product_status(warehouse, BENCHMARK),
        health=load_health(warehouse),
        footer=load_footer(warehouse),
    )
