"""Exact decomposition of a load's difference from the value expected for its conditions and field."""

import math

import polars as pl

IN_EXPECTED = ("condition", "field")
"""Kinds of sources that the expected value contains; the field's remainder beyond it stays under the source `field`."""


def _scale(pct: float) -> float:
    """Return log(dirt / rest) of a dirt tare in percent of the delivered weight."""
    return math.log(pct / (100 - pct))


def _points_per_scale(pct: float, other_pct: float) -> float:
    """Return percentage points per unit of the log scale between two tares (logarithmic mean)."""
    gap = _scale(pct) - _scale(other_pct)
    return (pct - other_pct) / gap if abs(gap) > 1e-9 else pct * (100 - pct) / 100


def excess_contributions(sources: pl.DataFrame, observed_pct: float, expected_pct: float) -> pl.DataFrame:
    """Return percentage points by source that add up to observed minus expected dirt.

    `load_why` divides the difference from the season's typical load, whose dirt is the observed dirt less the sum of
    its points. The parts are taken back to the fitted scale, on which parts in the expected value are subtracted, and
    converted to points again by the logarithmic mean (Ang 2004), so that the sum stays exact.

    Args:
        sources: rows of `load_why` of one load: `source, kind, points`, percentage points.
        observed_pct: dirt tare of the load, percent of the delivered weight, above 0 and below 100.
        expected_pct: dirt tare expected for its conditions and field, likewise.

    Returns:
        `source, kind, points`, largest part first; the source `field` is what its visits have in common beyond the
        expected value.
    """
    typical_pct = observed_pct - float(sources["points"].sum())
    per_scale = _points_per_scale(observed_pct, typical_pct)
    own = sources.filter(~pl.col("kind").is_in(IN_EXPECTED)).select(
        "source", "kind", (pl.col("points") / per_scale).alias("part")
    )
    excess = _scale(observed_pct) - _scale(expected_pct)
    field = pl.DataFrame(
        {"source": ["field"], "kind": ["field"], "part": [excess - float(own["part"].sum())]}, schema=own.schema
    )
    points = pl.col("part") * _points_per_scale(observed_pct, expected_pct)
    parts = pl.concat([own, field]).select("source", "kind", points.alias("points"))
    return parts.sort(pl.col("points").abs(), "source", descending=[True, False])
