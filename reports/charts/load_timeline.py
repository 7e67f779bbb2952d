"""One load against its machine's time: tank, emptyings, truck and weigh-in, and the minutes given to the load."""

import altair as alt
import polars as pl

from reports.language.translate import mark, say, translate_stored
from reports.page.model import Chart
from reports.page.theme import EXPECTED, INK, OBSERVED, finish, records, rows

STATE_SHADES = {
    mark("working"): "#c9b98f",
    mark("turning"): "#8d8271",
    mark("unloading"): "#1f4f8f",
    mark("idle"): "#efe8da",
    mark("road"): "#5b564e",
}


def load_timeline(minutes: pl.DataFrame, emptied: pl.DataFrame, marks: pl.DataFrame, mass_sign: str) -> Chart:
    """Draw the timeline.

    Args:
        minutes: `at, until, state, level, share_pct`, local times without a zone; `level` in the unit shown.
        emptied: `at`.
        marks: `at, what`: left the field, weighed in.
        mass_sign: sign of the unit of mass shown.
    """
    tank, share_title = say("in the tank, {t}", t=mass_sign), say("part of the load, %")
    x = alt.X("at:T", title=None, axis=alt.Axis(format="%H:%M", tickCount=8))
    at = alt.Tooltip("at:T", title=say("time"), format="%H:%M:%S")
    level = (
        alt.Chart(rows("minutes"))
        .mark_area(color=EXPECTED, opacity=0.35, line={"color": EXPECTED}, interpolate="step-after")
        .encode(
            x=x,
            y=alt.Y("level:Q", title=tank),
            tooltip=[at, alt.Tooltip("level:Q", title=tank, format=".1f")],
        )
    )
    share = (
        alt.Chart(rows("minutes"))
        .mark_bar(color=OBSERVED)
        .encode(
            x=x,
            x2="until:T",
            y=alt.Y("share_pct:Q", title=share_title),
            y2=alt.datum(0),
            tooltip=[at, alt.Tooltip("share_pct:Q", title=share_title, format=".2f")],
        )
    )
    state = (
        alt.Chart(rows("minutes"))
        .mark_rect()
        .encode(
            x=x,
            x2="until:T",
            color=alt.Color(
                "state:N",
                title=say("machine"),
                scale=alt.Scale(domain=[translate_stored(s) for s in STATE_SHADES], range=list(STATE_SHADES.values())),
                legend=alt.Legend(columns=3),
            ),
            tooltip=[at, alt.Tooltip("state:N", title=say("state"))],
        )
        .properties(width="container", height=16)
    )
    events = (
        alt.Chart(rows("emptied"))
        .mark_rule(color=INK, strokeDash=[3, 3])
        .encode(x=x, tooltip=[alt.Tooltip("at:T", title=say("tank emptied"), format="%H:%M:%S")])
    )
    truck = alt.Chart(rows("marks"))
    line = truck.mark_rule(color=OBSERVED, strokeWidth=2).encode(x=x, tooltip=["what:N", at])
    text = truck.mark_text(align="right", dx=-4, dy=-4, baseline="top", color=OBSERVED).encode(
        x=x, y=alt.value(8), text="what:N"
    )
    top = (level + events + line + text).properties(width="container", height=150)
    below = (share + events + line).properties(width="container", height=110)
    chart = alt.vconcat(top, below, state, spacing=8).resolve_scale(x="shared", color="independent")
    named = minutes.with_columns(pl.col("state").replace({k: translate_stored(k) for k in STATE_SHADES}))
    return finish(
        chart,
        say("Tank level, emptyings, truck and weigh-in over time; below, the part of the load from each 30 s."),
        minutes=records(named),
        emptied=records(emptied),
        marks=records(marks),
    )
