"""Timeline of one load: tank level, emptyings, truck and weigh-in of its machine, and the minutes traced to it."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import mark, say, translated
from reports.page.model import Chart
from reports.page.theme import EXPECTED, INK, OBSERVED, finish, records, rows

STATE_SHADES = {
    mark("working"): "#c9b98f",
    mark("turning"): "#8d8271",
    mark("unloading"): "#1f4f8f",
    mark("idle"): "#efe8da",
    mark("road"): "#5b564e",
}


def _time_axis(moments: pl.Series) -> alt.X:
    """Return the axis of local times, with days if it spans more than one."""
    days = moments.dt.date().n_unique()
    axis = alt.Axis(format="%H:%M", tickCount=8) if days == 1 else alt.Axis(format="%-d %b %H:%M", tickCount=4)
    return alt.X("at:T", title=None, axis=axis)


def _time_tooltip() -> alt.Tooltip:
    return alt.Tooltip("at:T", title=say("time"), format="%H:%M:%S")


def _level_area(title: str, x: alt.X) -> Any:
    return (
        alt.Chart(rows("minutes"))
        .mark_area(color=EXPECTED, opacity=0.35, line={"color": EXPECTED}, interpolate="step-after")
        .encode(
            x=x,
            y=alt.Y("level:Q", title=title),
            tooltip=[_time_tooltip(), alt.Tooltip("level:Q", title=title, format=".1f")],
        )
    )


def _share_bars(x: alt.X) -> Any:
    title = say("share of the load, %")
    return (
        alt.Chart(rows("minutes"))
        .mark_bar(color=OBSERVED)
        .encode(
            x=x,
            x2="until:T",
            y=alt.Y("share_pct:Q", title=title),
            y2=alt.datum(0),
            tooltip=[_time_tooltip(), alt.Tooltip("share_pct:Q", title=title, format=".2f")],
        )
    )


def _state_strip(x: alt.X) -> Any:
    states = [translated(s) for s in STATE_SHADES]
    return (
        alt.Chart(rows("minutes"))
        .mark_rect()
        .encode(
            x=x,
            x2="until:T",
            color=alt.Color(
                "state:N",
                title=say("machine"),
                scale=alt.Scale(domain=states, range=list(STATE_SHADES.values())),
                legend=alt.Legend(columns=3),
            ),
            tooltip=[_time_tooltip(), alt.Tooltip("state:N", title=say("state"))],
        )
        .properties(width="container", height=16)
    )


def _emptyings(x: alt.X) -> Any:
    tooltip = [alt.Tooltip("at:T", title=say("tank emptied"), format="%H:%M:%S")]
    return alt.Chart(rows("emptied")).mark_rule(color=INK, strokeDash=[3, 3]).encode(x=x, tooltip=tooltip)


def load_timeline(minutes: pl.DataFrame, emptied: pl.DataFrame, marks: pl.DataFrame, mass_sign: str) -> Chart:
    """Return the timeline.

    Args:
        minutes: `at, until, state, level, share_pct`, local times without a zone; `level` in the displayed unit.
        emptied: `at`.
        marks: `at, what`: left the field, weighed in.
        mass_sign: symbol of the displayed unit of mass.
    """
    x = _time_axis(pl.concat([minutes["at"], marks["at"]]))
    truck = alt.Chart(rows("marks"))
    line = truck.mark_rule(color=OBSERVED, strokeWidth=2).encode(x=x, tooltip=["what:N", _time_tooltip()])
    label = truck.mark_text(align="right", dx=-4, dy=-4, baseline="top", color=OBSERVED)
    # Labels of moments that are close together have lines of their own.
    names = [
        label.encode(x=x, y=alt.value(8 + 14 * i), text="what:N").transform_filter(alt.datum.line == i)
        for i in range(marks.height)
    ]
    events = _emptyings(x)
    level = _level_area(say("in the tank, {t}", t=mass_sign), x)
    top = alt.layer(level, events, line, *names).properties(width="container", height=150)
    below = (_share_bars(x) + events + line).properties(width="container", height=110)
    chart = alt.vconcat(top, below, _state_strip(x), spacing=8).resolve_scale(x="shared", color="independent")
    named = minutes.with_columns(pl.col("state").replace({k: translated(k) for k in STATE_SHADES}))
    return finish(
        chart,
        say("Tank level, emptyings, truck and weigh-in over time; below, the share of the load from each 30 s."),
        minutes=records(named),
        emptied=records(emptied),
        marks=records(marks.with_row_index("line")),
    )
