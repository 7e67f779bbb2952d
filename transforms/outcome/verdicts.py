"""Shifts of machines with and without advised moves, by the reason why none was advised."""

import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.outcome.hold_back import WITHHELD

HOLD = "hold"
"""Verdict of a machine that is left as it is."""


def advice_verdicts(in_force: pl.DataFrame) -> pl.DataFrame:
    """Return `advice_verdict`: the number of machines and shifts of each verdict, and of each reason to hold.

    Moves that were withheld by lot count as held for that reason.

    Args:
        in_force: advice in force for shifts that have been worked: `machine_id, shift_date, verdict, reason_code,
            is_withheld`.
    """
    by_lot = pl.col("is_withheld").fill_null(value=False)
    verdict = pl.when(by_lot).then(pl.lit(HOLD)).otherwise("verdict")
    reason = pl.when(by_lot).then(pl.lit(WITHHELD.code)).when(pl.col("verdict") == HOLD).then("reason_code")
    shifts = in_force.select("machine_id", "shift_date", verdict.alias("verdict"), reason.alias("reason_code")).unique()
    counted = shifts.group_by("verdict", "reason_code", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("machine_shifts")
    )
    return counted.sort("verdict", "reason_code").select(schema_of("advice_verdict").names())
