"""Where a machine lifted in the shift, coloured by the dirt of the load each half minute went to."""

import altair as alt
import polars as pl

from reports.document import Chart
from reports.text import say
from reports.theme import finish, records, rows


def shift_passes(passes: pl.DataFrame) -> Chart:
    """Draw one machine's passes.

    Args:
        passes: `east_m, north_m, field_id, at, load_id, dirt_tare_pct`, local times.
    """
    x = alt.X("east_m:Q", title=say("metres east"), scale=alt.Scale(zero=False))
    y = alt.Y("north_m:Q", title=say("metres north"), scale=alt.Scale(zero=False))
    tooltip = [
        alt.Tooltip("at:T", title=say("time"), format="%H:%M"), alt.Tooltip("field_id:N", title=say("field")),
        alt.Tooltip("load_id:N", title=say("load")),
        alt.Tooltip("dirt_tare_pct:Q", title=say("dirt of its load, %"), format=".1f"),
    ]  # fmt: skip
    base = alt.Chart(rows("passes")).encode(x=x, y=y, tooltip=tooltip)
    other = base.transform_filter("!isValid(datum.dirt_tare_pct)").mark_square(size=22, color="#b9b2a5", opacity=0.7)
    color = alt.Color(
        "dirt_tare_pct:Q", title=say("dirt of its load, %"), scale=alt.Scale(scheme="cividis", zero=False)
    )
    known = base.transform_filter("isValid(datum.dirt_tare_pct)").mark_square(size=26, opacity=0.95).encode(color=color)
    chart = alt.layer(other, known).properties(width="container", height=300)
    return finish(
        chart, say("Half minutes of lifting on the ground, coloured by the dirt tare of the load they went to."),
        shared="shift-passes", passes=records(passes),
    )  # fmt: skip
