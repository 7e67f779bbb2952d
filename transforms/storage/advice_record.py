"""Record of the advice that every run issued, which no later run can recompute."""

import datetime as dt

import polars as pl

from transforms.storage.warehouse import Warehouse

ADVICE_ISSUED = "advice_issued"


def record_advice(warehouse: Warehouse, advice: pl.DataFrame, issued_at: dt.datetime) -> None:
    """Append the advice of a run to the record, with the fit it rests on; earlier rows stay as they are.

    The query `advice_in_force` selects the issue that counts for a shift.

    Args:
        warehouse: the warehouse with the loads of the season, in a transaction.
        advice: the rows of `advice`.
        issued_at: the time of the run, UTC.
    """
    worked = warehouse.table("load_fact")["shift_date"].unique().drop_nulls().implode()
    instant = pl.Datetime("us", "UTC")
    warehouse.append(
        ADVICE_ISSUED,
        advice.with_columns(
            pl.lit(issued_at).cast(instant).alias("issued_at"),
            pl.lit(warehouse.query("current_basis")["fitted_at"][0]).cast(instant).alias("fitted_at"),
            pl.col("shift_date").is_in(worked).alias("had_loads"),
        ),
    )
