"""Map of a machine's lifting in the shift, coloured by the dirt of the load that each half minute filled."""

from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import records, rows, shared

UNKNOWN = "#b9b2a5"


def _chart(*, measured: bool) -> Any:
    x = alt.X("east_m:Q", title=say("metres east"), scale=alt.Scale(zero=False))
    y = alt.Y("north_m:Q", title=say("metres north"), scale=alt.Scale(zero=False))
    tooltip = [
        alt.Tooltip("at:T", title=say("time"), format="%H:%M"),
        alt.Tooltip("field_id:N", title=say("field")),
        alt.Tooltip("load_id:N", title=say("load")),
        alt.Tooltip("dirt_tare_pct:Q", title=say("dirt of the load, %"), format=".1f"),
    ]
    plain = alt.value(UNKNOWN)
    color: Any = plain
    if measured:
        scale = alt.Scale(scheme="cividis", zero=False)
        dirt = alt.Color("dirt_tare_pct:Q", title=say("dirt of the load, %"), scale=scale)
        color = alt.condition("isValid(datum.dirt_tare_pct)", dirt, plain)
    return (
        alt.Chart(rows("passes"))
        .mark_square(size=26, opacity=0.9, invalid="show")
        .encode(x=x, y=y, tooltip=tooltip, color=color)
        .properties(width="container", height=300)
    )


def shift_passes(passes: pl.DataFrame) -> Chart:
    """Return the map of one machine's passes.

    Args:
        passes: `east_m, north_m, field_id, at, load_id, dirt_tare_pct`, local times.
    """
    measured = passes["dirt_tare_pct"].count() > 0
    description = say("Map of half minutes of lifting, coloured by the dirt tare of the load that they filled.")
    name = "shift-passes" if measured else "shift-passes-plain"
    return shared(name, lambda: _chart(measured=measured), description, passes=records(passes))
