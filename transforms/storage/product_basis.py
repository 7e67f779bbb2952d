"""Basis of the products of a fit: the fit and shift each was computed from, and if it is still current.

A new fit does not delete the products of an earlier fit: advice, guide, comparison and checks stay until they are
recomputed. Each product is stored with its basis, so a page can state that it comes from an earlier fit or shift.
"""

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum

import polars as pl

from transforms.storage.warehouse import Warehouse

ADVICE, BENCHMARK, FIT_CHECK, GUIDE = "advice", "benchmark", "fit_check", "guide"


class OutcomeCode(StrEnum):
    """Result of computing a product."""

    COMPUTED = "computed"
    TOO_FEW_LOADS = "too_few_loads"


class BasisCode(StrEnum):
    """State of a product compared with the last fit and the last shift."""

    CURRENT = "current"
    NOT_COMPUTED = "not_computed"
    EARLIER_SHIFT = "earlier_shift"
    EARLIER_FIT = "earlier_fit"
    TOO_FEW_LOADS = "too_few_loads"


@dataclass(frozen=True)
class ProductStatus:
    """State of a product.

    Attributes:
        code: the state.
        fitted_at: the fit it was computed from; None if nothing was fitted or computed.
        last_shift_date: the last shift it includes; None likewise.
        variances_shift_date: last shift of the fit that the variances are from, if the latest fit is one by day; else
            None.
    """

    code: BasisCode
    fitted_at: dt.datetime | None = None
    last_shift_date: dt.date | None = None
    variances_shift_date: dt.date | None = None

    @property
    def is_earlier(self) -> bool:
        """Return True if a newer fit or shift exists."""
        return self.code in {BasisCode.EARLIER_FIT, BasisCode.EARLIER_SHIFT}


def store_basis(warehouse: Warehouse, product: str, outcome: OutcomeCode) -> None:
    """Store that a product has just been computed from the last fit and the loads up to the last shift."""
    row = warehouse.query("current_basis").with_columns(
        pl.lit(product).alias("product"), pl.lit(outcome.value).alias("outcome_code")
    )
    others = warehouse.table("product_basis").filter(pl.col("product") != product)
    warehouse.replace("product_basis", pl.concat([others, row.select(others.columns)]))


def product_status(warehouse: Warehouse, product: str) -> ProductStatus:
    """Return the state of a product; only advice is compared with the last shift, the others follow the fit alone."""
    if not (warehouse.has("product_basis") and warehouse.has("load_fact")):
        return ProductStatus(BasisCode.NOT_COMPUTED)
    rows = warehouse.table("product_basis").filter(pl.col("product") == product)
    if not rows.height:
        return ProductStatus(BasisCode.NOT_COMPUTED)
    basis, now = rows.row(0, named=True), warehouse.query("current_basis").row(0, named=True)
    code = BasisCode.CURRENT
    if product == ADVICE and basis["last_shift_date"] != now["last_shift_date"]:
        code = BasisCode.EARLIER_SHIFT
    elif basis["fitted_at"] != now["fitted_at"]:
        code = BasisCode.EARLIER_FIT
    elif basis["outcome_code"] == OutcomeCode.TOO_FEW_LOADS:
        code = BasisCode.TOO_FEW_LOADS
    by_day = now["variances_shift_date"] if basis["fitted_at"] == now["fitted_at"] else None
    return ProductStatus(code, basis["fitted_at"], basis["last_shift_date"], by_day)
