"""Pooled, between-visit and within-visit estimates of each setting's effect: raw comparisons can mislead."""

import altair as alt
import polars as pl

from reports.language.translate import mark, say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, MUTED, OBSERVED, WETNESS, finish, interval_tooltip, records, rows

READINGS = (mark("pooled"), mark("between visits"), mark("within visits"))


def reading_strip(readings: pl.DataFrame) -> Chart:
    """Return the chart.

    Args:
        readings: `label, reading, change_pct, lo95, hi95`, three rows per setting; `reading` is one of `READINGS`.
    """
    names = [say(r) for r in READINGS]
    colors = alt.Scale(domain=names, range=[EXPECTED, WETNESS["dry"], OBSERVED])
    order, title = readings["label"].unique(maintain_order=True).to_list(), say("comparison")
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
    chart = alt.layer(zero, rule, dot).properties(width="container", height=33 * len(order))
    named = readings.with_columns(pl.col("reading").replace_strict(list(READINGS), names).alias("named"))
    return finish(
        chart,
        say("Change per step from pooled loads, between visits and within visits, with 95 % intervals."),
        rows=records(named),
        zero=[{"zero": 0}],
    )
