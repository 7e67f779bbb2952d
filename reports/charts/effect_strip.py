"""Effect of one practical step up of each setting, with its 95 % interval, by topsoil wetness."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say, translated
from reports.page.model import Chart
from reports.page.theme import MUTED, WETNESS, interval_tooltip, of_height, records, rows, shared


def _chart() -> Any:
    order = alt.EncodingSortField("nth", op="min")
    names = [translated(c) for c in WETNESS]
    title, scale = say("topsoil"), alt.Scale(domain=names)
    only = alt.param(name="only_wetness", value="")
    base = (
        alt.Chart(rows())
        .transform_filter("!only_wetness || datum.wetness_class == only_wetness")
        .encode(
            y=alt.Y("label:N", sort=order, title=None, axis=alt.Axis(grid=True, tickBand="extent")),
            yOffset=alt.YOffset("topsoil:N", sort=names, scale=scale),
            color=alt.Color(
                "topsoil:N", title=title, scale=alt.Scale(domain=names, range=list(WETNESS.values())), sort=names
            ),
            tooltip=[
                alt.Tooltip("label:N", title=say("one step up of")),
                alt.Tooltip("topsoil:N", title=title),
                alt.Tooltip("change_pct:Q", title=say("change, %"), format="+.1f"),
                *interval_tooltip("lo95", "hi95", "+.1f"),
                alt.Tooltip("n:Q", title="n"),
            ],
        )
    )
    zero = alt.Chart(rows("zero")).mark_rule(color=MUTED).encode(x="zero:Q")
    x = alt.X("lo95:Q", title=say("change per practical step up, %"), axis=alt.Axis(tickCount=6))
    rule = base.mark_rule(strokeWidth=2).encode(x=x, x2="hi95:Q")
    dot = base.mark_point(filled=True, size=42, opacity=1).encode(
        x="change_pct:Q", shape=alt.Shape("topsoil:N", title=title, sort=names, scale=scale)
    )
    return alt.layer(zero, rule, dot).add_params(only).properties(width="container")


def effect_strip(effects: pl.DataFrame) -> Chart:
    """Return the chart of percent changes for one practical step up, with 95 % intervals, by setting and wetness class.

    Args:
        effects: `label, wetness_class, change_pct, lo95, hi95, n` of one response.
    """
    shown = effects.drop_nulls("change_pct").sort(
        pl.col("change_pct").abs().max().over("label"), "label", descending=[True, False], maintain_order=True
    )
    names = [translated(c) for c in WETNESS]
    named = shown.with_columns(pl.col("wetness_class").replace_strict(list(WETNESS), names).alias("topsoil"))
    drawn = named.select("label", "wetness_class", "topsoil", "change_pct", "lo95", "hi95", "n").with_row_index("nth")
    description = say("Percent change for one practical step up of each setting, 95 % intervals, by topsoil wetness.")
    chart = shared("effect-strip", _chart, description, rows=records(drawn), zero=[{"zero": 0}])
    return of_height(chart, 33 * shown["label"].n_unique())
