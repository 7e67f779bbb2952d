"""Advised changes by what machines did with them: one stacked bar per week or machine."""

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.language.uptake_words import UPTAKE, uptake_word
from reports.page.model import Chart
from reports.page.theme import UPTAKE_COLOURS, finish, records, rows

STEP = 24
"""Height of a bar with its gap, in pixels."""
LEGEND_COLUMNS = "width < 460 ? 1 : width < 760 ? 3 : 5"
"""Columns of the legend, so that the words of every language fit a phone."""


def uptake_bars(counts: pl.DataFrame, description: str) -> Chart:
    """Return the chart, bars in the order given.

    Args:
        counts: `label` and the number of changes of each code of `UPTAKE`, one row per bar.
        description: description of the chart for screen readers.
    """
    words = [uptake_word(code) for code in UPTAKE]
    drawn = (
        counts.with_row_index("nth")
        .unpivot(list(UPTAKE), index=["nth", "label"], variable_name="code", value_name="changes")
        .filter(pl.col("changes") > 0)
        .with_columns(
            pl.col("code").replace_strict(list(UPTAKE), words).alias("outcome"),
            pl.col("code").replace_strict(list(UPTAKE), list(range(len(UPTAKE))), return_dtype=pl.Int64).alias("place"),
        )
        .sort("nth", "place")
    )
    chart = (
        alt.Chart(rows())
        .mark_bar(size=15, stroke="#ffffff", strokeWidth=0.7)
        .encode(
            y=alt.Y("label:N", sort=alt.EncodingSortField("nth", op="min"), title=None),
            x=alt.X("changes:Q", title=say("changes advised"), axis=alt.Axis(tickMinStep=1, tickCount=4)),
            color=alt.Color(
                "outcome:N",
                title=None,
                sort=words,
                scale=alt.Scale(domain=words, range=list(UPTAKE_COLOURS.values())),
                legend=alt.Legend(columns=alt.ExprRef(LEGEND_COLUMNS), symbolType="square"),
            ),
            order=alt.Order("place:Q"),
            tooltip=[
                alt.Tooltip("label:N", title=" "),
                alt.Tooltip("outcome:N", title=say("outcome")),
                alt.Tooltip("changes:Q", title="n"),
            ],
        )
        .properties(width="container", height=STEP * counts.height)
    )
    return finish(chart, description, rows=records(drawn))
