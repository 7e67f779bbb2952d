"""Tonnes that a better decision concerns, and the share of decisions that are followed."""

import datetime as dt

import polars as pl

from transforms.arrays import narrow, to_float
from transforms.trial.value import SeasonScale

USUAL_UPTAKE = 0.5
"""Share of advised moves made if too few are judged (common practice, no source)."""
MIN_JUDGED = 10
"""Judged moves from which their own share counts (common practice, no source)."""


def uptake_share(uptake: pl.DataFrame) -> float:
    """Return the mean share of advised moves that was made, 0 to 1.

    Args:
        uptake: `advice_uptake`; a move in reverse counts as not made.
    """
    made = uptake["made_share"].drop_nulls().clip(0.0, 1.0)
    return to_float(made.mean() or 0.0) if made.len() >= MIN_JUDGED else USUAL_UPTAKE


def season_scale(
    class_tonnes: pl.DataFrame, days: pl.Series, season_end: dt.date | None, uptake: pl.DataFrame
) -> SeasonScale:
    """Return the soil-free tonnes still to be lifted by wetness class, and the share of moves made.

    With a known end of the season, the tonnes a day continue until then. Without one, what was lifted so far counts, as
    for the worth of advice.

    Args:
        class_tonnes: `generation, wetness_class, soil_class, soil_free_t` of the season.
        days: shift date of each load.
        season_end: day of the end-of-season report; None if unknown.
        uptake: `advice_uptake`.

    Returns:
        Tonnes by wetness class, t, and the share of moves made, 0 to 1.
    """
    ahead = 1.0
    if season_end is not None and days.drop_nulls().len():
        first, last = (narrow(v, dt.date) for v in (days.min(), days.max()))
        ahead = max((season_end - last).days, 0) / ((last - first).days + 1)
    known = class_tonnes.drop_nulls("wetness_class")
    by_class = known.group_by("wetness_class", maintain_order=True).agg(pl.col("soil_free_t").sum())
    return SeasonScale({w: t * ahead for w, t in by_class.iter_rows()}, uptake_share(uptake))
