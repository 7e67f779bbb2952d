"""Values with their intervals as bars, the longest first: shares of variance, costs, savings."""

import altair as alt
import polars as pl

from reports.page.model import Chart
from reports.page.theme import BETTER, INK, finish, records, rows, span

THOUSANDS = 10_000
"""From here on ticks are short (40k): long ones run into each other on a phone."""
PLAIN = ",~f"
"""As many decimals as the step of the ticks needs; without the type of a fixed point, ticks come as 1e+1."""


def share_bars(values: pl.DataFrame, title: str, description: str, *, is_whole: bool = False) -> Chart:
    """Draw `label, value, lo, hi`, in the order given.

    Args:
        values: a row a bar.
        title: what the values are, with their unit.
        description: what the chart shows, for readers of screens.
        is_whole: True if ticks are whole numbers, as of percentages.
    """
    tooltip = [
        alt.Tooltip("label:N", title=" "),
        alt.Tooltip("value:Q", title=title, format=",.1f"),
        *span("lo", "hi", ",.1f"),
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
