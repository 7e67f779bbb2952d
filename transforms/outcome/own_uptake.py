"""Uptake of the moves advised for a grower's own fields, with the dirt of the grower's own loads beside it."""

from dataclasses import dataclass

import polars as pl

from transforms.outcome.realised import MADE_FROM

VISIT = ["machine_id", "shift_date", "field_id"]
COUNTS = ("moves", "followed", "partly", "not_made", "opposite", "unknown")


@dataclass(frozen=True)
class ComparedLoads:
    """Own measured loads of some shifts, compared with the value expected for their conditions.

    Attributes:
        loads: loads with an observed and an expected value.
        points: expected less observed dirt, percentage points, weighted by delivered mass; None without such loads.
        soil_t: the same as mass of soil, t; None without such loads.
    """

    loads: int
    points: float | None
    soil_t: float | None


@dataclass(frozen=True)
class OwnUptake:
    """Moves advised for machines in a grower's own fields.

    Attributes:
        moves: moves advised.
        followed: moves that were made.
        partly: moves that were made in part.
        not_made: moves that were not made.
        opposite: moves that were made the other way.
        unknown: moves whose uptake is unknown.
        with_moves: own loads of the shifts that made their moves.
        without: own loads of the other shifts with advised moves whose uptake is known.
    """

    moves: int
    followed: int
    partly: int
    not_made: int
    opposite: int
    unknown: int
    with_moves: ComparedLoads
    without: ComparedLoads


def own_uptake(visits: pl.DataFrame, loads: pl.DataFrame) -> OwnUptake | None:
    """Return the uptake of moves in a grower's own fields; None if none were advised there.

    The differences are of expected values as a sheet shows them, so that they add nothing to what the reader knows of
    others. They are not the contrast (31): one grower's shifts are too few for it.

    Args:
        visits: rows of `grower_uptake` of the grower.
        loads: own loads: `machine_id, shift_date, field_id, delivered_t, observed_pct, expected_pct`; the expected
            value is rounded, and null if withheld.

    Returns:
        Counts of moves by uptake, and the soil in the grower's loads.
    """
    if not visits.height:
        return None
    known = visits.drop_nulls("made_share").select(*VISIT, (pl.col("made_share") >= MADE_FROM).alias("is_made"))
    own = loads.join(known, on=VISIT, maintain_order="left").drop_nulls(["observed_pct", "expected_pct"])
    counts = {name: int(visits[name].sum()) for name in COUNTS}
    return OwnUptake(
        **counts, with_moves=_compared(own.filter("is_made")), without=_compared(own.filter(~pl.col("is_made")))
    )


def _compared(own: pl.DataFrame) -> ComparedLoads:
    if not own.height:
        return ComparedLoads(0, None, None)
    soil = float((own["delivered_t"] * (own["expected_pct"] - own["observed_pct"])).sum()) / 100
    return ComparedLoads(own.height, 100 * soil / float(own["delivered_t"].sum()), soil)
