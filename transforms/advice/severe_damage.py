"""Cost of a damaged root in the pile where severe damage is counted."""

from collections.abc import Collection
from dataclasses import replace

import polars as pl

from transforms.config.workspace import Prices

PRICE = "storage_damage_pct"
ASSUMED_SEVERE = 0.2
"""Share of severely damaged roots among damaged ones that the default of `storage_damage_pct` assumes."""
MIN_DAMAGED = 100
"""Minimum number of damaged roots before the counted share replaces the assumed one (common practice, no source)."""


def counted_damage_prices(prices: Prices, checks: pl.DataFrame, assumed: Collection[str]) -> Prices:
    """Return prices whose loss per point of damaged roots is that of the severe damage counted.

    A severely damaged root respires fourfold, a slightly damaged one hardly more than a sound one, so the loss per
    point is proportional to the share of severe ones among the damaged. A price that the workspace states is not
    changed.

    Args:
        prices: prices of the season.
        checks: `root_check_fact`; checks without both counts do not matter.
        assumed: names of the prices that are defaults.

    Returns:
        The prices; unchanged with fewer than `MIN_DAMAGED` damaged roots in checks with both counts.
    """
    counts = ("damaged_count", "severely_damaged_count")
    if PRICE not in assumed or not set(counts) <= set(checks.columns):
        return prices
    damaged, severe = (float(checks.drop_nulls(counts)[c].sum()) for c in counts)
    if damaged < MIN_DAMAGED:
        return prices
    return replace(prices, storage_damage_pct=prices.storage_damage_pct * severe / damaged / ASSUMED_SEVERE)
