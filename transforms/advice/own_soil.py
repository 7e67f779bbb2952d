"""Soil of a grower's own fields above the expected value, and its cost."""

import polars as pl

from transforms.advice.cost import soil_cost_per_t
from transforms.config.workspace import Prices

MIN_OVER_POINTS = 0.5
"""Fields with less dirt above the expected value are not listed (common practice, no source)."""
MIN_LOADS = 30
"""A field with fewer measured loads is listed but not judged (common practice, no source)."""


def fields_above_expected(fields: pl.DataFrame, prices: Prices) -> pl.DataFrame:
    """Return the fields with more dirt than expected, most expensive first.

    The difference is of rounded values, as a sheet shows them, so that it adds nothing to what the reader knows.

    Args:
        fields: `field_id, loads, measured, delivered_t, observed_pct, observed_half, expected_pct`; the half width of
            the interval is null with fewer than two visits, and the expected value null if withheld.
        prices: prices of haulage, handling and disposal of soil, and the mean haul.

    Returns:
        `field_id, loads, measured, delivered_t, over_points, soil_t, soil_cost, is_clear`: the difference in percentage
        points, that soil in t and the cost of hauling it in the season's currency, and whether the interval of the
        observed dirt lies above the expected value, with `MIN_LOADS` measured loads or more.
    """
    over = (pl.col("observed_pct").round(1) - pl.col("expected_pct")).round(1)
    per_t = soil_cost_per_t(prices.haul_km, prices)
    is_above = pl.col("observed_pct").round(1) - pl.col("observed_half").round(1) > pl.col("expected_pct")
    is_clear = is_above & (pl.col("measured") >= MIN_LOADS)
    return (
        fields.with_columns(over.alias("over_points"), is_clear.fill_null(value=False).alias("is_clear"))
        .filter(pl.col("over_points") >= MIN_OVER_POINTS)
        .with_columns((pl.col("delivered_t") * pl.col("over_points") / 100).alias("soil_t"))
        .with_columns((pl.col("soil_t") * per_t).alias("soil_cost"))
        .select("field_id", "loads", "measured", "delivered_t", "over_points", "soil_t", "soil_cost", "is_clear")
        .sort("soil_cost", "field_id", descending=[True, False])
    )
