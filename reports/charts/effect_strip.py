"""What one practical step up of each setting does, by wetness of the topsoil."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import WETNESS, finish, inline


def effect_strip(effects: pl.DataFrame) -> dict[str, Any]:
    """Draw `effect_overall` of one response: a dot with its 95 % interval per setting and wetness class.

    Args:
        effects: `label, wetness_class, change_pct, lo95, hi95, n` of one response.
    """
    rows = effects.drop_nulls("change_pct")
    order = (
        rows.group_by("label")
        .agg(pl.col("change_pct").abs().max())
        .sort("change_pct", descending=True)["label"]
        .to_list()
    )
    classes = list(WETNESS)
    color = alt.Color(
        "wetness_class:N", title="topsoil", scale=alt.Scale(domain=classes, range=list(WETNESS.values())), sort=classes
    )
    base = alt.Chart(inline(rows.to_dicts())).encode(
        y=alt.Y("label:N", sort=order, title=None, axis=alt.Axis(grid=True, tickBand="extent")),
        yOffset=alt.YOffset("wetness_class:N", sort=classes, scale=alt.Scale(domain=classes)),
        color=color,
        tooltip=[
            alt.Tooltip("label:N", title="One step up of"),
            alt.Tooltip("wetness_class:N", title="Topsoil"),
            alt.Tooltip("change_pct:Q", title="Change, %", format="+.1f"),
            alt.Tooltip("lo95:Q", title="Low 95 %", format="+.1f"),
            alt.Tooltip("hi95:Q", title="High 95 %", format="+.1f"),
            alt.Tooltip("n:Q", title="n"),
        ],
    )
    zero = alt.Chart(inline([{"zero": 0}])).mark_rule(color="#615b53").encode(x="zero:Q")
    rule = base.mark_rule(strokeWidth=2).encode(
        x=alt.X("lo95:Q", title="change per practical step up, %", axis=alt.Axis(tickCount=6)), x2="hi95:Q"
    )
    dot = base.mark_point(filled=True, size=42, opacity=1).encode(
        x="change_pct:Q",
        shape=alt.Shape("wetness_class:N", title="topsoil", sort=classes, scale=alt.Scale(domain=classes)),
    )
    chart = (zero + rule + dot).properties(width="container", height=11 * len(order) * len(classes))
    return finish(
        chart,
        description="Percent change for one practical step up of each setting, 95 % intervals, by topsoil wetness.",
    )
