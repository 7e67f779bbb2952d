"""Data of the sections on the setting guide and its estimated savings."""

from dataclasses import dataclass

import polars as pl

from transforms.storage.product_basis import GUIDE, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class SeasonGuideData:
    """Contents of the sections on the setting guide and its savings.

    Attributes:
        settings: start value of each setting by generation and conditions, rows of `guide`.
        classes: rows of `guide_class`.
        moves: moves of the guide from the usual value, rows of `guide_move`.
        worth: savings by type and conditions, and in total, rows of `guide_worth`.
        lifted_t: beet without soil lifted this season, in known and unknown conditions.
        status: state of the guide compared with the last fit.
    """

    settings: pl.DataFrame
    classes: pl.DataFrame
    moves: pl.DataFrame
    worth: pl.DataFrame
    lifted_t: float
    status: ProductStatus


def load_season_guide(warehouse: Warehouse) -> SeasonGuideData:
    """Return the setting guide and its savings."""
    return SeasonGuideData(
        settings=warehouse.table("guide"),
        classes=warehouse.table("guide_class"),
        moves=warehouse.query("guide_move"),
        worth=warehouse.table("guide_worth"),
        lifted_t=float(warehouse.query("class_tonnes")["soil_free_t"].sum()),
        status=product_status(warehouse, GUIDE),
    )
