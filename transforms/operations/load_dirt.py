"""Dirt of one load, its expected value, and the sources of the difference."""

from dataclasses import dataclass

import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.model.load_excess import excess_contributions
from transforms.storage.warehouse import Warehouse

SOURCES_SCHEMA = {"source": pl.String, "kind": pl.String, "points": pl.Float64}
SETTINGS_SCHEMA = {"setting": pl.String, "value": pl.Float64, "usual": pl.Float64}


@dataclass(frozen=True)
class LoadDirt:
    """Dirt of one load; all values in percent of the delivered weight or percentage points.

    Attributes:
        observed_pct: dirt tare; None if not measured.
        expected_pct: value expected for its conditions and field; None if the fit does not contain the load.
        lo95: lower end of the 95 % interval of the expected value.
        hi95: upper end of the 95 % interval of the expected value.
        sources: `source, kind, points` that add up to observed minus expected, largest first; empty without both.
        settings: `setting, value, usual`: the load's settings and their means over the loads of the fit, stored units.
    """

    observed_pct: float | None
    expected_pct: float | None
    lo95: float | None
    hi95: float | None
    sources: pl.DataFrame
    settings: pl.DataFrame


def _settings(load_id: str, facts: pl.DataFrame, fitted: pl.Series, catalogue: Catalogue) -> pl.DataFrame:
    """Return `LoadDirt.settings`."""
    own = facts.filter(pl.col("load_id") == load_id)
    usual = facts.filter(pl.col("load_id").is_in(fitted.implode()))
    rows = [
        {"setting": n, "value": own[n][0], "usual": usual[n].mean()}
        for n, s in catalogue.items()
        if s.nature == "numeric" and n in facts.columns and own.height and own[n][0] is not None
    ]
    return pl.DataFrame(rows, schema=SETTINGS_SCHEMA)


def load_dirt(load_id: str, warehouse: Warehouse, catalogue: Catalogue) -> LoadDirt:
    """Return the dirt of one load with the sources of its difference from the expected value.

    Args:
        load_id: the load.
        warehouse: the warehouse of the workspace.
        catalogue: the settings known.
    """
    expected = warehouse.table("expected_load")
    facts = warehouse.table("load_fact")
    settings = _settings(load_id, facts, expected["load_id"], catalogue)
    nothing = pl.DataFrame(schema=SOURCES_SCHEMA)
    row = next(expected.filter(pl.col("load_id") == load_id).iter_rows(named=True), None)
    if row is None:
        own = facts.filter(pl.col("load_id") == load_id)
        measured = own[DIRT].item() if own.height and DIRT in own.columns else None
        return LoadDirt(measured, None, None, None, nothing, settings)
    sources = warehouse.query("load_source", load_id=load_id)
    observed, mean = row["observed_pct"], row["expected_pct"]
    parts = excess_contributions(sources, observed, mean) if sources.height else nothing
    return LoadDirt(observed, mean, row["lo95"], row["hi95"], parts, settings)
