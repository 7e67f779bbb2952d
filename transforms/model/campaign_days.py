"""Campaign days: the seasons of some days, and the number of days since the season of each row started."""

import datetime as dt

import polars as pl

SEASON_GAP_DAYS = 60
"""A new season starts after a gap longer than this."""


def seasons_of(days: pl.Series) -> tuple[dt.date, ...]:
    """Return the first day of each season among these days: a season follows a gap of more than 60 days."""
    known = days.unique().sort().drop_nulls()
    gap = known.diff().dt.total_days().fill_null(SEASON_GAP_DAYS + 1)
    return tuple(known.filter(gap > SEASON_GAP_DAYS).to_list())


def add_campaign_day(rows: pl.DataFrame, starts: tuple[dt.date, ...]) -> pl.DataFrame:
    """Return rows with `season_start` and `campaign_day`, the number of days since the season started.

    Args:
        rows: rows with `shift_date`; their order is kept.
        starts: first day of each season, ascending, from `seasons_of`.
    """
    table = pl.DataFrame({"season_start": starts}, schema={"season_start": pl.Date}).set_sorted("season_start")
    order = rows.with_row_index("row_at").sort("shift_date", maintain_order=True)
    dated = order.join_asof(table, left_on="shift_date", right_on="season_start").sort("row_at").drop("row_at")
    days = (pl.col("shift_date") - pl.col("season_start")).dt.total_days().cast(pl.Float64)
    return dated.with_columns(days.alias("campaign_day"))
