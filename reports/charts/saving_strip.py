"""Saving of soil per tonne, promised and realised with its interval: one row per week or machine."""

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, FEW, MUTED, OBSERVED, PALE, finish, interval_tooltip, records, rows

STEP = 26
"""Height of a row, in pixels."""


def saving_strip(savings: pl.DataFrame, unit: str, description: str) -> Chart:
    """Return the chart, rows in the order given: dots with intervals for the saving realised, ticks for the promise.

    Dots of fewer than `FEW` shifts are pale.

    Args:
        savings: `label, promised, saved, lo, hi, shifts`, in the displayed unit; interval null if unknown.
        unit: displayed unit.
        description: description of the chart for screen readers.
    """
    tooltip = [
        alt.Tooltip("label:N", title=" "),
        alt.Tooltip("promised:Q", title=say("promised, {unit}", unit=unit), format=".2f"),
        alt.Tooltip("saved:Q", title=say("saved, {unit}", unit=unit), format=".2f"),
        *interval_tooltip("lo", "hi", ".2f"),
        alt.Tooltip("shifts:Q", title=say("n shifts")),
    ]
    y = alt.Y("label:N", sort=alt.EncodingSortField("nth", op="min"), title=None)
    x = alt.X("saved:Q", title=say("saved on soil, {unit}", unit=unit), axis=alt.Axis(tickCount=6))
    base = alt.Chart(rows()).encode(y=y, tooltip=tooltip)
    zero = alt.Chart(rows("zero")).mark_rule(color=MUTED).encode(x="zero:Q")
    opacity = alt.condition(f"datum.shifts < {FEW}", alt.value(PALE), alt.value(1.0))
    rule = base.mark_rule(color=OBSERVED, strokeWidth=2).encode(x="lo:Q", x2="hi:Q", opacity=opacity)
    tick = base.mark_tick(size=18, thickness=3, color=EXPECTED).encode(x="promised:Q")
    dot = base.mark_point(filled=True, size=70, color=OBSERVED).encode(x=x, opacity=opacity)
    chart = alt.layer(zero, rule, tick, dot).properties(width="container", height=STEP * savings.height)
    return finish(chart, description, rows=records(savings.with_row_index("nth")), zero=[{"zero": 0}])
