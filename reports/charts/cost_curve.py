"""Cost of deviating from the guide's value of one setting."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import BETTER, INK, MUTED, interval_tooltip, records, rows, shared


def _chart(money: str) -> Any:
    base = alt.Chart(rows()).encode(
        x=alt.X("value:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(tickCount=4)),
        tooltip=[
            alt.Tooltip("value:Q", title=say("value"), format=".1f"),
            alt.Tooltip("change:Q", title=say("extra cost, {unit}", unit=money), format="+.2f"),
            *interval_tooltip("lo", "hi", "+.2f"),
        ],
    )
    band = base.mark_area(opacity=0.25, color=BETTER).encode(y=alt.Y("lo:Q", title=money), y2="hi:Q")
    line = base.mark_line(color=INK, strokeWidth=2).encode(y="change:Q")
    zero = alt.Chart(rows("zero")).mark_rule(color=MUTED, strokeDash=[3, 3]).encode(y="y:Q")
    chosen = base.transform_filter("datum.chosen").mark_point(filled=True, size=80, color=BETTER).encode(y="change:Q")
    return alt.layer(zero, band, line, chosen).properties(width="container", height=110)


def cost_curve(values: pl.DataFrame, money: str) -> Chart:
    """Return the chart of mean cost change with its 95 % band.

    Args:
        values: `value, change, lo, hi, chosen`, one row per value of one setting in one class, in displayed units.
        money: unit of `change`.
    """
    description = say("Extra cost away from the guide's value, with its 95 % band")
    return shared("cost-curve", lambda: _chart(money), description, money, rows=records(values), zero=[{"y": 0}])
