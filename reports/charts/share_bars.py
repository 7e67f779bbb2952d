"""Horizontal bars of values with intervals: shares of variance, costs, savings."""

import altair as alt
import polars as pl

from reports.page.model import Chart
from reports.page.theme import BETTER, INK, finish, interval_tooltip, records, rows

THOUSANDS = 10_000
"""Ticks are abbreviated (40k) from this value, because long ones overlap on a phone."""
PLAIN = ",~f"
"""Fixed-point format with as many decimals as the tick step needs; other formats would show ticks as 1e+1."""


def share_bars(values: pl.DataFrame, title: str, description: str, *, is_whole: bool = False) -> Chart:
    """Return the chart, bars in the order given.

    Args:
        values: `label, value, lo, hi`, one row per bar.
        title: quantity with its unit.
        description: description of the chart for screen readers.
        is_whole: True if ticks are whole numbers, for example percentages.
    """
    tooltip = [
        alt.Tooltip("label:N", title=" "),
        alt.Tooltip("value:Q", title=title, format=",.1f"),
        *interval_tooltip("lo", "hi", ",.1f"),
    ]
    large = float(values.select(pl.col("value").abs().max()).item() or 0) >= THOUSANDS
    axis = alt.Axis(
        tickCount=6,
        tickMinStep=1 if is_whole else 0,
        format="~s" if large else PLAIN,
        labelExpr="datum.value == 0 ? '0' : datum.label",
    )
    y = alt.Y("label:N", sort=values["label"].to_list(), title=None)
    base = alt.Chart(rows()).encode(y=y, tooltip=tooltip)
    bar = base.mark_bar(size=13, color=BETTER, opacity=0.75).encode(x=alt.X("value:Q", title=title, axis=axis))
    rule = base.mark_rule(color=INK, strokeWidth=1.6).encode(x="lo:Q", x2="hi:Q")
    chart = alt.layer(bar, rule).properties(width="container", height=22 * values.height)
    return finish(chart, description, rows=records(values))
