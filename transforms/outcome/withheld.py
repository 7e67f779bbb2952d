"""Shifts of machines with and without advised moves, by the reason why none was advised."""

import polars as pl

from transforms.contracts.result_tables import schema_of

HOLD = "hold"
"""Verdict of a machine that is left as it is."""


def withheld_advice(in_force: pl.DataFrame) -> pl.DataFrame:
    """Return `advice_withheld`: the number of machines and shifts of each verdict, and of each reason to hold.

    Args:
        in_force: advice in force for shifts that have been worked: `machine_id, shift_date, verdict, reason_code`.
    """
    reason = pl.when(pl.col("verdict") == HOLD).then("reason_code")
    shifts = in_force.select("machine_id", "shift_date", "verdict", reason.alias("reason_code")).unique()
    counted = shifts.group_by("verdict", "reason_code", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("machine_shifts")
    )
    return counted.sort("verdict", "reason_code").select(schema_of("advice_withheld").names())
