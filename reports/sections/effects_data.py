"""Data of the effects of settings and of the checks of the fits, shared by the shift page and the season report."""

from dataclasses import dataclass

import polars as pl

from transforms.storage.product_basis import FIT_CHECK, ProductStatus, product_status
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class FitChecksData:
    """Checks of the fits.

    Attributes:
        verdicts: numbers of rows, of checks made and of checks passed, one row of `fit_verdict` per fitted response.
        checks: rows of `fit_check`.
        last_season: rows of `last_season`; none if `season.toml` names no last season.
        status: state of the checks compared with the last fit.
    """

    verdicts: pl.DataFrame
    checks: pl.DataFrame
    last_season: pl.DataFrame
    status: ProductStatus


@dataclass(frozen=True)
class EffectsData:
    """Effects of one step of each setting, with the checks of the fits they come from.

    Attributes:
        effects: rows of `effect_overall`, of all responses.
        fit_checks: checks of the fits.
    """

    effects: pl.DataFrame
    fit_checks: FitChecksData


def load_effects(warehouse: Warehouse) -> EffectsData:
    """Return the effects and checks of all fits."""
    return EffectsData(
        effects=warehouse.query("effect_overall"),
        fit_checks=FitChecksData(
            verdicts=warehouse.query("fit_verdict"),
            checks=warehouse.table("fit_check"),
            last_season=warehouse.table("last_season"),
            status=product_status(warehouse, FIT_CHECK),
        ),
    )
