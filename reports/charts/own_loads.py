"""Dirt of a grower's loads through the season compared with the values expected for such loads."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import chart_day, say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, OBSERVED, records, rows, shared, with_shared_axes

DAY_OR_HOUR = "hours(datum.value) == 0 ? datum.label : timeFormat(datum.value, '%H:%M')"
"""Label of a tick: the day at midnight, else the hour; a grower of a few days would otherwise see each day twice."""


def _chart() -> Any:
    base = alt.Chart(rows()).encode(
        x=alt.X("lifted_at:T", title=None, axis=alt.Axis(format=chart_day(), tickCount=6, labelExpr=DAY_OR_HOUR)),
        tooltip=[
            alt.Tooltip("load_id:N", title=say("load")),
            alt.Tooltip("observed_pct:Q", title=say("observed, %"), format=".1f"),
            alt.Tooltip("expected_pct:Q", title=say("expected, %"), format=".1f"),
        ],
    )
    y = alt.Y("lo95:Q", title=say("dirt tare, % of delivered weight"))
    span = base.mark_rule(color=EXPECTED, opacity=0.35, strokeWidth=3).encode(y=y, y2="hi95:Q")
    tick = base.mark_point(shape="stroke", color=EXPECTED, size=30).encode(y="expected_pct:Q")
    dot = base.mark_point(filled=True, size=34, color=OBSERVED, opacity=0.9).encode(y="observed_pct:Q")
    return alt.layer(span, tick, dot).properties(width="container", height=200)


def own_loads(loads: pl.DataFrame) -> Chart:
    """Return the chart.

    Args:
        loads: `lifted_at, load_id, observed_pct, expected_pct, lo95, hi95`, local times.
    """
    description = say("Dirt tare of own loads over the values expected for such loads.")
    return with_shared_axes(shared("own-loads", _chart, description, rows=records(loads)))
