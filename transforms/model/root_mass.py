"""Mean root mass of fields as a condition: fields where it is unknown, and seasons that say too little about it."""

from dataclasses import replace

import polars as pl

from transforms.arrays import to_float
from transforms.model.audit_plot import ASSUMED_STAND_PER_HA
from transforms.model.design_matrix import ModelTerms
from transforms.model.modifiers import ROOT_MASS

ROOT_MASS_KG, SOURCE = "root_mass_kg", "root_mass_source"
MIN_FIELDS, MIN_SHARE = 8, 0.5
"""Minimum number of fields with a known root mass, and minimum share of all fields (common practice, no source)."""
MIN_SPREAD = 0.03
"""Minimum relative standard deviation of root mass, and of root mass over yield, between fields: below it, root mass is
constant, or says nothing that the yield does not say (common practice, no source)."""
STAND_ROUNDING = 5_000.0
"""Plants per ha are rounded to this, so that one more field seldom changes the root masses of the others."""


def _known_fields(rows: pl.DataFrame) -> pl.DataFrame:
    """Return one row per field with a known root mass: its mass and plants per ha; none if the columns are missing."""
    if not {ROOT_MASS_KG, SOURCE} <= set(rows.columns):
        return pl.DataFrame(schema={"field_id": pl.String, ROOT_MASS_KG: pl.Float64, "stand_per_ha": pl.Float64})
    known = rows.filter(pl.col(SOURCE).is_not_null()).group_by("field_id", maintain_order=True)
    of_field = known.agg(pl.col(ROOT_MASS_KG, "yield_t_ha").cast(pl.Float64).first())
    return of_field.with_columns((1000 * pl.col("yield_t_ha") / pl.col(ROOT_MASS_KG)).alias("stand_per_ha"))


def fill_root_mass(rows: pl.DataFrame) -> pl.DataFrame:
    """Return facts whose unknown root masses are the yield over the plants per ha that are usual in the other fields.

    Args:
        rows: facts with `field_id` and `yield_t_ha`; without `root_mass_kg` they are returned unchanged.
    """
    if ROOT_MASS_KG not in rows.columns:
        return rows
    median = _known_fields(rows)["stand_per_ha"].median()
    usual = ASSUMED_STAND_PER_HA if median is None else round(to_float(median) / STAND_ROUNDING) * STAND_ROUNDING
    return rows.with_columns(pl.col(ROOT_MASS_KG).cast(pl.Float64).fill_null(1000 * pl.col("yield_t_ha") / usual))


def terms_with_known_root_mass(terms: ModelTerms, rows: pl.DataFrame) -> ModelTerms:
    """Return the terms of a model, without those of root mass if the rows say too little about it.

    Args:
        terms: terms of the response.
        rows: usable facts.
    """
    if ROOT_MASS_KG not in terms.conditions or _says_enough(rows):
        return terms
    conditions = tuple(c for c in terms.conditions if c != ROOT_MASS_KG)
    return replace(terms, conditions=conditions, shrunk_by=tuple(m for m in terms.shrunk_by if m != ROOT_MASS))


def _says_enough(rows: pl.DataFrame) -> bool:
    """Return True if enough fields have a known root mass, and it differs between them other than with the yield."""
    known = _known_fields(rows)
    if known.height < max(MIN_FIELDS, MIN_SHARE * rows["field_id"].n_unique()):
        return False
    spreads = [to_float(known[c].std()) / to_float(known[c].mean()) for c in (ROOT_MASS_KG, "stand_per_ha")]
    return min(spreads) >= MIN_SPREAD
