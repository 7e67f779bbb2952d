"""Why one load was dirty: its departure from the season's typical load, source by source."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import BETTER, WORSE, finish, inline

SHOWN_SOURCES = 7


def load_why(sources: pl.DataFrame) -> dict[str, Any]:
    """Draw `load_why` of one load; the smaller sources are drawn as one, so that the bars still add up.

    Args:
        sources: `label, points` of one load.
    """
    ordered = sources.sort(pl.col("points").abs(), descending=True)
    rest = ordered.slice(SHOWN_SOURCES)
    rows = ordered.head(SHOWN_SOURCES).select("label", "points")
    if rest.height:
        rows = pl.concat(
            [rows, pl.DataFrame({"label": [f"{rest.height} smaller ones"], "points": [float(rest["points"].sum())]})]
        )
    x = alt.X(
        "points:Q",
        title="points of dirt tare",
        axis=alt.Axis(tickCount=5, format="+.1~f", labelExpr="datum.value == 0 ? '0' : datum.label"),
    )
    chart = (
        alt.Chart(inline(rows.to_dicts()))
        .mark_bar(size=13)
        .encode(
            x=x, y=alt.Y("label:N", sort=rows["label"].to_list(), title=None),
            color=alt.condition("datum.points > 0", alt.value(WORSE), alt.value(BETTER)),
            tooltip=[alt.Tooltip("label:N", title="Source"), alt.Tooltip("points:Q", title="Points", format="+.2f")],
        )
        .properties(width="container", height=20 * rows.height)
    )  # fmt: skip
    return finish(
        chart,
        description="Sources of the load's departure from the typical load, in points of dirt tare; the bars add up.",
    )
