"""Effect of one practical step up of each setting, with its 95 % interval, by topsoil wetness."""

import altair as alt
import polars as pl

from reports.language.translate import say, translated
from reports.page.model import Chart
from reports.page.theme import MUTED, WETNESS, finish, interval_tooltip, records, rows


def effect_strip(effects: pl.DataFrame) -> Chart:
    """Return the chart of percent changes for one practical step up, with 95 % intervals, by setting and wetness class.

    Args:
        effects: `label, wetness_class, change_pct, lo95, hi95, n` of one response.
    """
    shown = effects.drop_nulls("change_pct")
    order = (
        shown.group_by("label", maintain_order=True)
        .agg(pl.col("change_pct").abs().max())
        .sort("change_pct", "label", descending=[True, False])["label"]
        .to_list()
    )
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
    chart = alt.layer(zero, rule, dot).add_params(only).properties(width="container", height=33 * len(order))
    named = shown.with_columns(pl.col("wetness_class").replace_strict(list(WETNESS), names).alias("topsoil"))
    return finish(
        chart,
        say("Percent change for one practical step up of each setting, 95 % intervals, by topsoil wetness."),
        rows=records(named.select("label", "wetness_class", "topsoil", "change_pct", "lo95", "hi95", "n")),
        zero=[{"zero": 0}],
    )
