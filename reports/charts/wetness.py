"""Topsoil wetness of the last ten days by soil class."""

import altair as alt
import polars as pl

from reports.language.translate import chart_day, say, translated
from reports.page.model import Chart
from reports.page.theme import SOIL, SOIL_DASH, finish, records, rows


def wetness(course: pl.DataFrame) -> Chart:
    """Return the chart of `wetness_course`: one line per soil class from 0 (dry) to 1 (wet), local times."""
    present = [s for s in SOIL if s in course["soil_class"].unique().to_list()]
    names = [translated(s) for s in present]
    scale = alt.Scale(domain=names, range=[SOIL[s] for s in present])
    dash = alt.Scale(domain=names, range=[SOIL_DASH[s] for s in present])
    title = say("soil")
    chart = (
        alt.Chart(rows())
        .mark_line(strokeWidth=2.2)
        .encode(
            x=alt.X("at:T", title=None, axis=alt.Axis(format=chart_day(), tickCount={"interval": "day", "step": 2})),
            y=alt.Y("topsoil_wetness:Q", title=say("topsoil wetness, 0 dry to 1 wet"), scale=alt.Scale(domain=[0, 1])),
            color=alt.Color("soil:N", title=title, scale=scale, sort=names),
            strokeDash=alt.StrokeDash("soil:N", title=title, scale=dash, sort=names),
            tooltip=[
                alt.Tooltip("at:T", title=say("time"), format=chart_day(" %H:%M")),
                alt.Tooltip("soil:N", title=title),
                alt.Tooltip("topsoil_wetness:Q", title=say("topsoil wetness"), format=".2f"),
            ],
        )
        .properties(width="container", height=190)
    )
    named = course.with_columns(pl.col("soil_class").replace_strict(present, names).alias("soil"))
    return finish(
        chart,
        say("Topsoil wetness of light, medium and heavy soils over the last ten days."),
        rows=records(named.select("at", "soil", "topsoil_wetness")),
    )
