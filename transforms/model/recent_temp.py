"""Mean air temperature of the ten days before lifting, on which leaf depends."""

import polars as pl

AIR_TEMP_C, AIR_TEMP_10D_C = "air_temp_c", "air_temp_10d_c"


def fill_recent_temp(rows: pl.DataFrame) -> pl.DataFrame:
    """Return facts whose unknown mean temperature of the ten days before is the air temperature at lifting.

    Args:
        rows: facts; without `air_temp_c` they are returned unchanged.
    """
    if AIR_TEMP_C not in rows.columns:
        return rows
    known = [c for c in (AIR_TEMP_10D_C, AIR_TEMP_C) if c in rows.columns]
    return rows.with_columns(pl.coalesce(pl.col(known).cast(pl.Float64)).alias(AIR_TEMP_10D_C))
