"""Record of the advice given for every shift, which no later run can recompute."""

import datetime as dt

import polars as pl

from transforms.storage.warehouse import Warehouse

GIVEN_ADVICE = "given_advice"


def store_given_advice(warehouse: Warehouse, advice: pl.DataFrame, given_at: dt.datetime) -> None:
    """Store the advice of a run under its shift, in place of earlier advice for the same shift.

    Advice for a shift that already has loads stays as it was given, so that it can be compared with what was done.

    Args:
        warehouse: the warehouse with the loads of the season, in a transaction.
        advice: the rows of `advice`.
        given_at: the time of the run, UTC.
    """
    worked = warehouse.table("load_fact")["shift_date"].unique().drop_nulls().implode()
    ahead = advice.filter(~pl.col("shift_date").is_in(worked))
    warehouse.delete_matching(GIVEN_ADVICE, ahead.select("shift_date").unique())
    at = pl.lit(given_at).cast(pl.Datetime("us", "UTC"))
    warehouse.append(GIVEN_ADVICE, ahead.with_columns(at.alias("given_at")))
