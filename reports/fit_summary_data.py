"""Data of the summary of the fits, which `fit` also prints as JSON."""

from typing import Any

import polars as pl

from reports.language.reason_text import with_reasons
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.warehouse import Warehouse

QUERIES = ("fit_verdict", "fit_sources", "fit_effects", "fit_changing", "fit_root_mass", "fit_silence")


def fit_facts(warehouse: Warehouse, catalogue: Catalogue) -> dict[str, Any]:
    """Return the contents of the summary as plain values: rows of each query, and checks that did not pass."""
    checks = warehouse.table("fit_check")
    rows = {name: warehouse.query(name) for name in QUERIES}
    rows["not_passed"] = checks.filter(~pl.col("passed")).drop("passed")
    return {name: with_reasons(table, catalogue).to_dicts() for name, table in rows.items()}
