"""Pooled, between-visit and within-visit estimates of each setting's effect: raw comparisons can mislead."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import mark, say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, MUTED, OBSERVED, WETNESS, interval_tooltip, of_height, records, rows, shared

READINGS = (mark("pooled"), mark("between visits"), mark("within visits"))


def _chart() -> Any:
    names = [say(r) for r in READINGS]
    colors = alt.Scale(domain=names, range=[EXPECTED, WETNESS["dry"], OBSERVED])
    order, title = alt.EncodingSortField("nth", op="min"), say("comparison")
    base = alt.Chart(rows()).encode(
        y=alt.Y("label:N", sort=order, title=None, axis=alt.Axis(grid=True, tickBand="extent")),
        yOffset=alt.YOffset("named:N", sort=names, scale=alt.Scale(domain=names)),
        color=alt.Color("named:N", title=title, sort=names, scale=colors),
        tooltip=[
            alt.Tooltip("label:N", title=say("one step up of")),
            alt.Tooltip("named:N", title=title),
            alt.Tooltip("change_pct:Q", title=say("change, %"), format="+.1f"),
            *interval_tooltip("lo95", "hi95", "+.1f"),
        ],
    )
    zero = alt.Chart(rows("zero")).mark_rule(color=MUTED).encode(x="zero:Q")
    x = alt.X("lo95:Q", title=say("change per practical step up, %"), axis=alt.Axis(tickCount=6))
    rule = base.mark_rule(strokeWidth=2).encode(x=x, x2="hi95:Q")
    shape = alt.Shape("named:N", title=title, sort=names, scale=alt.Scale(domain=names))
    dot = base.mark_point(filled=True, size=42, opacity=1).encode(x="change_pct:Q", shape=shape)
    return alt.layer(zero, rule, dot).properties(width="container")


def reading_strip(readings: pl.DataFrame) -> Chart:
    """Return the chart, settings in the order given.

    Args:
        readings: `label, reading, change_pct, lo95, hi95`, three rows per setting; `reading` is one of `READINGS`.
    """
    named = readings.with_columns(
        pl.col("reading").replace_strict(list(READINGS), [say(r) for r in READINGS]).alias("named")
    )
    description = say("Change per step from pooled loads, between visits and within visits, with 95 % intervals.")
    drawn = records(named.with_row_index("nth"))
    chart = shared("reading-strip", _chart, description, rows=drawn, zero=[{"zero": 0}])
    return of_height(chart, 33 * readings["label"].n_unique())
