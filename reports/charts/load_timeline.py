"""One load against its machine's time: tank, emptyings, truck and weigh-in, and the minutes given to the load."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import EXPECTED, INK, OBSERVED, finish, inline

STATE_SHADES = {
    "working": "#c9b98f",
    "turning": "#8d8271",
    "unloading": "#1f4f8f",
    "idle": "#efe8da",
    "road": "#5b564e",
}


def _iso(frame: pl.DataFrame, *columns: str) -> list[dict[str, Any]]:
    return frame.with_columns(pl.col(c).dt.strftime("%Y-%m-%dT%H:%M:%S") for c in columns).to_dicts()


def load_timeline(minutes: pl.DataFrame, emptied: pl.DataFrame, marks: pl.DataFrame, mass_sign: str) -> dict[str, Any]:
    """Draw the timeline.

    Args:
        minutes: `at, until, state, level, share_pct`, local times without a zone; `level` in the unit shown.
        emptied: `at`.
        marks: `at, what`: left the field, weighed in.
        mass_sign: sign of the unit of mass shown.
    """
    rows = inline(_iso(minutes, "at", "until"))
    x = alt.X("at:T", title=None, axis=alt.Axis(format="%H:%M", tickCount=8))
    at = alt.Tooltip("at:T", title="Time", format="%H:%M:%S")
    level = (
        alt.Chart(rows)
        .mark_area(color=EXPECTED, opacity=0.35, line={"color": EXPECTED}, interpolate="step-after")
        .encode(
            x=x, y=alt.Y("level:Q", title=f"in the tank, {mass_sign}"),
            tooltip=[at, alt.Tooltip("level:Q", title=f"In the tank, {mass_sign}", format=".1f")],
        )
    )  # fmt: skip
    share = (
        alt.Chart(rows)
        .mark_bar(color=OBSERVED)
        .encode(
            x=x, x2="until:T", y=alt.Y("share_pct:Q", title="part of the load, %"), y2=alt.datum(0),
            tooltip=[at, alt.Tooltip("share_pct:Q", title="Part of the load, %", format=".2f")],
        )
    )  # fmt: skip
    state = (
        alt.Chart(rows)
        .mark_rect()
        .encode(
            x=x, x2="until:T",
            color=alt.Color(
                "state:N", title="machine",
                scale=alt.Scale(domain=list(STATE_SHADES), range=list(STATE_SHADES.values())),
            ),
            tooltip=[at, alt.Tooltip("state:N", title="State")],
        )
        .properties(width="container", height=16)
    )  # fmt: skip
    events = alt.Chart(inline(_iso(emptied, "at"))).mark_rule(color=INK, strokeDash=[3, 3]).encode(
        x=x, tooltip=[alt.Tooltip("at:T", title="Tank emptied", format="%H:%M:%S")]
    )  # fmt: skip
    truck = alt.Chart(inline(_iso(marks, "at")))
    line = truck.mark_rule(color=OBSERVED, strokeWidth=2).encode(x=x, tooltip=["what:N", at])
    text = truck.mark_text(align="right", dx=-4, dy=-4, baseline="top", color=OBSERVED).encode(
        x=x, y=alt.value(8), text="what:N"
    )
    top = (level + events + line + text).properties(width="container", height=150)
    below = (share + events + line).properties(width="container", height=110)
    chart = alt.vconcat(top, below, state, spacing=8).resolve_scale(x="shared", color="independent")
    return finish(
        chart,
        description="Tank level, emptyings, truck and weigh-in over time; below, the part of the load from each 30 s.",
    )
