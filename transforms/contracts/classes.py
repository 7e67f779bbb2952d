"""Classes of topsoil wetness and soil: names, order and cut points, for frames, SQL and single values.

The cut points are common practice, no source. SQL has them as variables of the connection, which the macros
`wetness_class` and `soil_class` read (`sql/macros/`), and the what-if page receives them with its data.
"""

import polars as pl

WETNESS_CLASSES = ("dry", "moist", "wet")
SOIL_CLASSES = ("light", "medium", "heavy")
DRY_BELOW, WET_FROM = 0.35, 0.65
"""Topsoil wetness, 0 (dry) to 1 (field capacity): dry below the first, wet from the second."""
LIGHT_BELOW, HEAVY_ABOVE = 18.0, 35.0
"""Clay content, percent: light below the first, heavy above the second."""
SQL_VARIABLES = {
    "dry_below": DRY_BELOW,
    "wet_from": WET_FROM,
    "light_below": LIGHT_BELOW,
    "heavy_above": HEAVY_ABOVE,
}
"""Variable of a warehouse connection -> cut point."""


def wetness_class(wetness: pl.Expr) -> pl.Expr:
    """Return the wetness class of each row: dry, moist or wet; null if wetness is unknown."""
    named = pl.when(wetness < DRY_BELOW).then(pl.lit("dry")).when(wetness < WET_FROM).then(pl.lit("moist"))
    return named.when(wetness >= WET_FROM, wetness.cast(pl.Float64).is_not_nan()).then(pl.lit("wet"))


def soil_class(clay_pct: pl.Expr) -> pl.Expr:
    """Return the soil class of each row: light, medium or heavy; null if clay content is unknown."""
    named = pl.when(clay_pct < LIGHT_BELOW).then(pl.lit("light")).when(clay_pct <= HEAVY_ABOVE).then(pl.lit("medium"))
    return named.when(clay_pct > HEAVY_ABOVE, clay_pct.cast(pl.Float64).is_not_nan()).then(pl.lit("heavy"))


def classes_at(wetness: float, clay_pct: float) -> tuple[str, str]:
    """Return the classes of wetness and soil at a point whose conditions are known.

    >>> classes_at(0.7, 12.0)
    ('wet', 'light')
    """
    wet = "dry" if wetness < DRY_BELOW else "moist" if wetness < WET_FROM else "wet"
    return wet, "light" if clay_pct < LIGHT_BELOW else "medium" if clay_pct <= HEAVY_ABOVE else "heavy"
