"""Curve of a response along one setting, with a simultaneous band, by topsoil wetness."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say, translated
from reports.page.model import Chart, LineKey
from reports.page.theme import MUTED, WETNESS, interval_tooltip, records, rows, shared

DASHES = {"dry": (2, 2), "moist": (6, 3), "wet": (1, 0)}


def wetness_key(classes: list[str]) -> tuple[LineKey, ...]:
    """Return the key of the lines that charts of several settings share, for the given classes of wetness."""
    return tuple(LineKey(translated(c), WETNESS[c], DASHES[c]) for c in WETNESS if c in classes)


def _chart() -> Any:
    names = [translated(c) for c in WETNESS]
    only = alt.param(name="only_wetness", value="")
    scale = alt.Scale(domain=names, range=list(WETNESS.values()))
    color = alt.Color("topsoil:N", sort=names, scale=scale, legend=None)
    base = (
        alt.Chart(rows())
        .transform_filter("!only_wetness || datum.wetness_class == only_wetness")
        .encode(
            x=alt.X("value:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(tickCount=4)),
            color=color,
            tooltip=[
                alt.Tooltip("topsoil:N", title=say("topsoil")),
                alt.Tooltip("value:Q", title=say("value"), format=".1f"),
                alt.Tooltip("mean:Q", title=say("change, %"), format="+.1f"),
                *interval_tooltip("lo95", "hi95", "+.1f"),
            ],
        )
    )
    band = base.mark_area(opacity=0.16).encode(y=alt.Y("lo95:Q", title=say("change, %")), y2="hi95:Q")
    dashes = alt.Scale(domain=names, range=[list(d) for d in DASHES.values()])
    dash = alt.StrokeDash("topsoil:N", sort=names, scale=dashes, legend=None)
    line = base.mark_line(strokeWidth=2).encode(y="mean:Q", strokeDash=dash)
    zero = alt.Chart(rows("zero")).mark_rule(color=MUTED, strokeDash=[3, 3]).encode(y="y:Q")
    return alt.layer(zero, band, line).add_params(only).properties(width="container", height=130)


def setting_curve(points: pl.DataFrame) -> Chart:
    """Return the chart of one setting's curve over the tried range.

    Args:
        points: `value, wetness_class, mean, lo95, hi95`; percent change from the setting's usual value.
    """
    names = [translated(c) for c in WETNESS]
    named = points.with_columns(pl.col("wetness_class").replace_strict(list(WETNESS), names).alias("topsoil"))
    description = say("Percent change along the setting from its usual value, with 95 % bands, by topsoil wetness.")
    return shared("setting-curve", _chart, description, rows=records(named), zero=[{"y": 0}])
