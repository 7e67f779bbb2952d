"""Horizontal bars of values with intervals: shares of variance, costs, savings."""

from functools import partial
from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import BETTER, INK, finish, interval_tooltip, of_height, records, rows, shared, with_shared_axes

THOUSANDS = 10_000
"""Ticks are abbreviated (40k) from this value, because long ones overlap on a phone."""
STEP = 22
"""Height of a bar with its gap, in pixels."""
PLAIN = ",~f"
"""Fixed-point format with as many decimals as the tick step needs; other formats would show ticks as 1e+1."""


def _bars(title: str, *, is_whole: bool, is_large: bool, limit_px: int | None = None) -> Any:
    """Return the chart; labels are cut off at `limit_px` pixels, 0 for never and None for the limit of the theme."""
    tooltip = [
        alt.Tooltip("label:N", title=" "),
        alt.Tooltip("value:Q", title=title, format=",.1f"),
        *interval_tooltip("lo", "hi", ",.1f"),
    ]
    axis = alt.Axis(
        tickCount=6,
        tickMinStep=1 if is_whole else 0,
        format="~s" if is_large else PLAIN,
        labelExpr="datum.value == 0 ? '0' : datum.label",
    )
    labels = alt.Axis() if limit_px is None else alt.Axis(labelLimit=limit_px)
    y = alt.Y("label:N", sort=alt.EncodingSortField("nth", op="min"), title=None, axis=labels)
    base = alt.Chart(rows()).encode(y=y, tooltip=tooltip)
    bar = base.mark_bar(size=13, color=BETTER, opacity=0.75).encode(x=alt.X("value:Q", title=title, axis=axis))
    rule = base.mark_rule(color=INK, strokeWidth=1.6).encode(x="lo:Q", x2="hi:Q")
    return alt.layer(bar, rule).properties(width="container")


def share_bars(values: pl.DataFrame, title: str, description: str, *, is_whole: bool = False) -> Chart:
    """Return the chart, bars in the order given.

    Args:
        values: `label, value, lo, hi`, one row per bar.
        title: quantity with its unit.
        description: description of the chart for screen readers.
        is_whole: True if ticks are whole numbers, for example percentages.
    """
    is_large = float(values.select(pl.col("value").abs().max()).item() or 0) >= THOUSANDS
    chart = _bars(title, is_whole=is_whole, is_large=is_large).properties(height=STEP * values.height)
    return finish(chart, description, rows=records(values.with_row_index("nth")))


def sheet_bars(values: pl.DataFrame, title: str, description: str) -> Chart:
    """Return the chart of `share_bars` for small values, with a specification that the sheets of all growers share.

    Its few labels are short and never cut off, so their widths are measured half as often.

    Args:
        values: `label, value, lo, hi`, one row per bar.
        title: quantity with its unit.
        description: description of the chart for screen readers.
    """
    drawn = records(values.with_row_index("nth"))
    build = partial(_bars, title, is_whole=False, is_large=False, limit_px=0)
    chart = shared("sheet-bars", build, description, title, rows=drawn)
    return with_shared_axes(of_height(chart, STEP * values.height))


def variance_bars(shares: pl.DataFrame) -> Chart:
    """Return the chart of shares of variance in percent, bars in the order given.

    Args:
        shares: `label, value, lo, hi`, one row per source of variation.
    """
    title = say("share of variance, %")
    description = say("Shares of the variance, with 95 % intervals")
    drawn = records(shares.with_row_index("nth"))
    chart = shared("variance-bars", lambda: _bars(title, is_whole=True, is_large=False), description, rows=drawn)
    return of_height(chart, STEP * shares.height)
