"""Timeline of a machine's shift: loads with expected values, topsoil wetness, and setting changes in steps."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, LINE_DASHES, LINES, OBSERVED, WETNESS, interval_tooltip, records, rows, shared

MAX_SETTINGS = 4


def _panels() -> dict[str, alt.Chart | alt.LayerChart]:
    x = alt.X("at:T", title=None, axis=alt.Axis(format="%H:%M", tickCount=8))
    lasting = alt.X("from_at:T", title=None, axis=alt.Axis(format="%H:%M", tickCount=8))
    tooltip = [
        alt.Tooltip("load_id:N", title=say("load")),
        alt.Tooltip("observed_pct:Q", title=say("observed, %"), format=".1f"),
        alt.Tooltip("expected_pct:Q", title=say("expected, %"), format=".1f"),
        *interval_tooltip("lo95", "hi95", ".1f", say("expected from, 95 %")),
    ]
    base = alt.Chart(rows("loads")).encode(tooltip=tooltip)
    title = say("dirt tare, %")
    band = base.mark_rect(color=EXPECTED, opacity=0.3).encode(
        x=lasting, x2="to_at:T", y=alt.Y("lo95:Q", title=title), y2="hi95:Q"
    )
    bar = base.mark_rule(color=OBSERVED, strokeWidth=4).encode(x=lasting, x2="to_at:T", y="observed_pct:Q")
    dirt = alt.layer(band, bar).properties(width="container", height=110)
    wet = (
        alt.Chart(rows("topsoil"))
        .mark_area(color=WETNESS["wet"], opacity=0.35, line={"color": WETNESS["wet"]})
        .encode(
            x=x,
            y=alt.Y(
                "topsoil_wetness:Q", title=say("wetness"), scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(tickCount=3)
            ),
            tooltip=[
                alt.Tooltip("at:T", title=say("time"), format="%H:%M"),
                alt.Tooltip("topsoil_wetness:Q", title=say("topsoil wetness"), format=".2f"),
            ],
        )
        .properties(width="container", height=55)
    )
    by_rank = alt.EncodingSortField("rank")
    moved = (
        alt.Chart(rows("settings"))
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(
            x=x,
            y=alt.Y("steps:Q", title=say("steps moved"), axis=alt.Axis(tickCount=4)),
            color=alt.Color("label:N", title=None, sort=by_rank, scale=alt.Scale(range=LINES)),
            strokeDash=alt.StrokeDash("label:N", title=None, sort=by_rank, scale=alt.Scale(range=LINE_DASHES)),
            tooltip=[
                alt.Tooltip("at:T", title=say("time"), format="%H:%M"),
                alt.Tooltip("label:N", title=say("setting")),
                alt.Tooltip("shown:N", title=say("value")),
                alt.Tooltip("steps:Q", title=say("steps moved"), format="+.1f"),
            ],
        )
        .properties(width="container", height=130)
    )
    return {"loads": dirt, "topsoil": wet, "settings": moved}


def _chart(shown: list[str]) -> Any:
    panels = _panels()
    return alt.vconcat(*(panels[n] for n in shown), spacing=6).resolve_scale(
        x="shared", color="independent", strokeDash="independent"
    )


def shift_timeline(loads: pl.DataFrame, topsoil: pl.DataFrame, settings: pl.DataFrame) -> Chart | None:
    """Return the stacked panels of one machine's shift, without empty ones; None if all are empty.

    Args:
        loads: `from_at, to_at, load_id, observed_pct, expected_pct, lo95, hi95`, local times.
        topsoil: `at, topsoil_wetness`.
        settings: `at, rank, label, steps, shown`: practical steps from the setting's first value of the shift; rank
            counts from 0.
    """
    data = {"loads": loads, "topsoil": topsoil, "settings": settings}
    shown = [name for name, frame in data.items() if frame.height]
    if not shown:
        return None
    description = say(
        "Dirt of the machine's loads and expected values; topsoil wetness; settings in steps from the shift's start."
    )
    name = "-".join(["shift-timeline", *shown])
    return shared(name, lambda: _chart(shown), description, "", **{n: records(data[n]) for n in shown})
