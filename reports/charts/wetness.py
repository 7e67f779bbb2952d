"""Topsoil wetness of the last ten days by soil class."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import SOIL, SOIL_DASH, finish, inline


def wetness(course: pl.DataFrame) -> dict[str, Any]:
    """Draw `wetness_course`, a line a soil class between 0 (dry) and 1 (wet)."""
    rows = course.with_columns(pl.col("at").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    present = [s for s in SOIL if s in rows["soil_class"].unique().to_list()]
    scale = alt.Scale(domain=present, range=[SOIL[s] for s in present])
    dash = alt.Scale(domain=present, range=[SOIL_DASH[s] for s in present])
    chart = (
        alt.Chart(inline(rows.to_dicts()))
        .mark_line(strokeWidth=2.2)
        .encode(
            x=alt.X("at:T", title=None, axis=alt.Axis(format="%-d %b", tickCount={"interval": "day", "step": 2})),
            y=alt.Y("topsoil_wetness:Q", title="topsoil wetness, 0 dry to 1 wet", scale=alt.Scale(domain=[0, 1])),
            color=alt.Color("soil_class:N", title="soil", scale=scale, sort=present),
            strokeDash=alt.StrokeDash("soil_class:N", title="soil", scale=dash, sort=present),
            tooltip=[
                alt.Tooltip("at:T", title="Time", format="%-d %b %H:%M"),
                alt.Tooltip("soil_class:N", title="Soil"),
                alt.Tooltip("topsoil_wetness:Q", title="Wetness", format=".2f"),
            ],
        )
        .properties(width="container", height=190)
    )
    return finish(chart, description="Topsoil wetness of light, medium and heavy soils over the last ten days.")
