"""Data of the what-if page."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import polars as pl

from reports.sections.health_data import FooterData, load_footer
from transforms.advice.cost_effects import cost_effects
from transforms.advice.what_if_table import read_table
from transforms.storage.product_basis import GUIDE, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class WhatIfPageData:
    """Contents of the what-if page.

    Attributes:
        table: coefficients of the fits with ranges of conditions and settings, for the page's script.
        cost_effects: setting -> effect of one step on the cost per tonne, in descending order.
        status: state of the guide, computed together with the table, compared with the last fit.
        parts: comparisons of fitted parts, rows of `part_effect`.
        footer: fits that the page rests on, and row counts.
    """

    table: dict[str, Any]
    cost_effects: dict[str, float]
    status: ProductStatus
    parts: pl.DataFrame
    footer: FooterData


def load_what_if_page(warehouse: Warehouse, table: Path) -> WhatIfPageData:
    """Return the contents of the what-if page.

    Args:
        warehouse: the workspace's warehouse.
        table: the workspace's file of the what-if table.

    Raises:
        WorkspaceError: the file does not exist yet.
    """
    stored, footer = read_table(table), load_footer(warehouse)
    return WhatIfPageData(
        table=stored,
        cost_effects=cost_effects(warehouse.table("effect"), stored),
        status=product_status(warehouse, GUIDE),
        parts=warehouse.table("part_effect"),
        footer=replace(footer, fits=footer.fits.filter(pl.col("response").is_in(list(stored["responses"])))),
    )
