"""Contributions of each source to one load's deviation from the season's typical load."""

import textwrap
from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import BETTER, WORSE, records, rows, shared

SHOWN_SOURCES = 7
LINE_LENGTH, LABEL_PX, ROW_PX, HALF_LINE_PX = 26, 190, 28, 7
"""Characters after which a label wraps, its greatest width, the height of a row of two lines, and half a line."""

TICKS = "width < 160 ? 3 : 5"
"""Number of ticks; a card on a phone has room for few."""


def _chart() -> Any:
    x = alt.X(
        "points:Q",
        title=say("points of dirt tare"),
        axis=alt.Axis(tickCount=alt.ExprRef(TICKS), format="+~f", labelExpr="datum.value == 0 ? '0' : datum.label"),
    )
    return (
        alt.Chart(rows())
        .mark_bar(size=13)
        .encode(
            x=x,
            y=alt.Y(
                "lines:N",
                sort=alt.EncodingSortField("nth"),
                title=None,
                axis=alt.Axis(
                    labelExpr=r"split(datum.label, '\n')",
                    labelLimit=LABEL_PX,
                    labelOffset={
                        "condition": {"test": r"indexof(datum.label, '\n') >= 0", "value": -HALF_LINE_PX},
                        "value": 0,
                    },
                ),
            ),
            color=alt.condition("datum.points > 0", alt.value(WORSE), alt.value(BETTER)),
            tooltip=[
                alt.Tooltip("label:N", title=say("source")),
                alt.Tooltip("points:Q", title=say("points of dirt tare"), format="+.2f"),
            ],
        )
        .properties(width="container", height=ROW_PX * (SHOWN_SOURCES + 1))
    )


def _wrapped(label: str) -> str:
    """Return a label in two lines at most."""
    lines = textwrap.wrap(
        label, LINE_LENGTH, break_long_words=False, break_on_hyphens=False, max_lines=2, placeholder=" …"
    )
    return "\n".join(lines) or label


def load_contributions(sources: pl.DataFrame) -> Chart:
    """Return the chart of the sources of one load; smaller sources are combined so that the bars still add up.

    Args:
        sources: `label, points` of one load.
    """
    ordered = sources.sort(pl.col("points").abs(), descending=True)
    rest = ordered.slice(SHOWN_SOURCES)
    drawn = ordered.head(SHOWN_SOURCES).select("label", "points")
    if rest.height:
        smaller = say("{n} smaller ones", n=rest.height)
        drawn = pl.concat([drawn, pl.DataFrame({"label": [smaller], "points": [float(rest["points"].sum())]})])
    drawn = drawn.with_columns(lines=pl.Series([_wrapped(text) for text in drawn["label"]], dtype=pl.String))
    description = say("Sources of the load's difference, in points of dirt tare; the bars add up.")
    return shared("load-why", _chart, description, rows=records(drawn.with_row_index("nth")))
