"""Advice that is withheld by lot, so that shifts with and without advice differ by chance alone."""

import datetime as dt
import hashlib

import polars as pl

from transforms.contracts.reason import reason

SCALE = 2**32
STATE = (
    *("machine_id", "field_id", "shift_date", "wetness_class", "soil_class", "topsoil_wetness", "outlook"),
    *("cost_per_t", "cost_lo95", "cost_hi95"),
)
"""Columns of `advice` that describe a machine before its shift."""
LEVELS = ("dirt_{}_pct", "root_loss_{}_t_ha", "tops_{}_pct", "over_topped_{}_pct", "damaged_{}_pct")
"""Columns of `advice` before and after a move; without a move both are the same."""
WITHHELD = reason("advice_withheld")


def is_drawn(machine_id: str, shift_date: dt.date, season: str, share: float) -> bool:
    """Return True if the advice of a machine for a shift is withheld: the same lot in every run.

    Args:
        machine_id: the machine.
        shift_date: the shift.
        season: name of the season, so that seasons draw differently.
        share: share of machines and shifts to withhold, 0 to 1.
    """
    digest = hashlib.sha256(f"{season}|{machine_id}|{shift_date}".encode()).digest()
    return int.from_bytes(digest[:4], "big") < share * SCALE


def mark_withheld(advice: pl.DataFrame, season: str, share: float) -> pl.DataFrame:
    """Return advice with `is_withheld`: True for all moves of a machine whose shift was drawn.

    Args:
        advice: rows of `advice`.
        season: name of the season.
        share: share of machines and shifts to withhold, 0 to 1.

    Returns:
        The rows in the same order, with `is_withheld`; False for rows that are not moves.
    """
    drawn = [
        verdict == "move" and is_drawn(machine, day, season, share)
        for machine, day, verdict in advice.select("machine_id", "shift_date", "verdict").iter_rows()
    ]
    return advice.with_columns(pl.Series("is_withheld", drawn, pl.Boolean))


def shown_advice(marked: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of `advice` that people see: a machine whose moves are withheld has one row that says so.

    Args:
        marked: advice from `mark_withheld`.
    """
    known = {name: pl.col(name) for name in STATE}
    known |= {c.format(side): pl.col(c.format("before")) for c in LEVELS for side in ("before", "after")}
    known |= {"verdict": pl.lit("hold"), **{c: pl.lit(text) for c, text in WITHHELD.columns.items()}}
    shown = marked.filter(~pl.col("is_withheld")).drop("is_withheld")
    first = marked.filter("is_withheld").unique("machine_id", keep="first", maintain_order=True)
    rows = first.select(known.get(c, pl.lit(None, dtype)).alias(c) for c, dtype in shown.schema.items())
    order = marked.select("machine_id").unique(maintain_order=True).with_row_index("place")
    both = pl.concat([shown, rows]).join(order, on="machine_id", how="left", maintain_order="left")
    return both.sort("place", maintain_order=True).drop("place")
