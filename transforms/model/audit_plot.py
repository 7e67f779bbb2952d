"""Plot of a dig-behind audit: area, plants per ha, mean root and counted pieces, from whichever columns it has."""

from functools import reduce
from operator import add

import polars as pl

from transforms.contracts.harvest_checks import BREAK_CLASSES, LossAudit

ASSUMED_STAND_PER_HA = 95_000.0
"""Roots per ha if neither a count nor a mean root mass is known (assumption; common practice, no source)."""
ASSUMED_PLOT_M2 = 10.0
"""Plot of an audit that states only its loss (assumption; near the plots of 110 ft2 of a published field rule)."""
CLASS_MIX = dict(zip(BREAK_CLASSES, (0.60, 0.25, 0.10, 0.05), strict=True))
"""Share of each break class among broken tips whose diameter was not measured (assumption; no source)."""
INPUTS = {name: column.dtype for name, column in LossAudit.columns().items() if column.nullable}
"""Columns that an audit may lack."""


def sum_known(terms: list[pl.Expr]) -> pl.Expr:
    """Return the sum of expressions; null if any is null, unlike `pl.sum_horizontal`."""
    return reduce(add, terms)


def with_inputs(audits: pl.DataFrame) -> pl.DataFrame:
    """Return the audits with every column that `resolve_plot` reads; absent ones are null."""
    absent = {n: t for n, t in {**INPUTS, "yield_t_ha": pl.Float64()}.items() if n not in audits.columns}
    return audits.with_columns(pl.lit(None, dtype=t).alias(n) for n, t in absent.items())


def resolve_plot(audits: pl.DataFrame) -> pl.DataFrame:
    """Return the plants per ha, mean root, plot and counts of audits, one row per audit, in their order.

    The plot is the place of the sampled roots if there is such a number, else an area, else rows of a length. Plants
    per ha are as counted, else yield over mean root mass, else assumed; a missing mean root mass is yield over plants.
    A class
    without a count is empty if another class has one. Broken tips beyond the classes have the assumed mix of classes.

    Args:
        audits: columns of `LossAudit`, any of the nullable ones, and `yield_t_ha` of the field; `row_spacing_cm` is
            that of the field or machine if the audit does not state it.

    Returns:
        `stand_per_ha`; `root_kg`, kg; `area_m2`, null if the plot is unknown; the count of each break class and of
        `whole_roots_count`, null if not counted.
    """
    rows = with_inputs(audits)
    yield_kg_ha = 1000 * pl.col("yield_t_ha")
    by_mass = yield_kg_ha / pl.col("root_mass_kg")
    density = pl.coalesce("stand_plants_per_ha", by_mass, pl.lit(ASSUMED_STAND_PER_HA)).alias("stand_per_ha")
    rows = rows.with_columns(density)
    root = pl.coalesce("root_mass_kg", yield_kg_ha / pl.col("stand_per_ha"))
    area = pl.coalesce(
        pl.col("sampled_roots_count") / pl.col("stand_per_ha") * 10_000,
        "plot_m2",
        pl.col("plot_length_m") * pl.col("plot_rows_count") * pl.col("row_spacing_cm") / 100,
    )
    return rows.select("stand_per_ha", root.alias("root_kg"), area.alias("area_m2"), *_counts(), "whole_roots_count")


def _counts() -> list[pl.Expr]:
    """Return the number of broken tips of each class; null if tips were not counted."""
    is_counted = pl.any_horizontal(pl.col(c).is_not_null() for c in (*BREAK_CLASSES, "broken_count"))
    rest = (pl.col("broken_count") - pl.sum_horizontal(BREAK_CLASSES)).clip(0).fill_null(0)
    return [pl.when(is_counted).then(pl.col(c).fill_null(0) + p * rest).alias(c) for c, p in CLASS_MIX.items()]
