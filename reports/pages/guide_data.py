"""Data of the guide page and its cards."""

from dataclasses import dataclass

import polars as pl

from reports.sections.health_data import FooterData, HealthData, load_footer, load_health
from transforms.storage.product_basis import GUIDE, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class GuidePageData:
    """Contents of the guide page and its cards.

    Attributes:
        classes: expected dirt, root loss and cost by generation and conditions, rows of `guide_class`.
        settings: start value and ranges of each setting in each class, rows of `guide`.
        curves: extra cost of other values, rows of `guide_curve`.
        parts: comparisons of fitted parts, rows of `part_effect`.
        suggested_trials: rows of `trial_wanted`.
        status: state of the guide compared with the last fit.
        health: data received and its quality.
        footer: fits and row counts.
    """

    classes: pl.DataFrame
    settings: pl.DataFrame
    curves: pl.DataFrame
    parts: pl.DataFrame
    suggested_trials: pl.DataFrame
    status: ProductStatus
    health: HealthData
    footer: FooterData


def load_guide_page(warehouse: Warehouse) -> GuidePageData:
    """Return the contents of the guide page and its cards."""
    return GuidePageData(
        classes=warehouse.table("guide_class"),
        settings=warehouse.table("guide"),
        curves=warehouse.table("guide_curve"),
        parts=warehouse.table("part_effect"),
        suggested_trials=warehouse.table("trial_wanted"),
        status=product_status(warehouse, GUIDE),
        health=load_health(warehouse),
        footer=load_footer(warehouse),
    )
