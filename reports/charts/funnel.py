"""Funnel plot: own effect of each subject by its number of loads, coloured by its standing."""

import altair as alt
import polars as pl

from reports.language.labels import STANDING
from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import BETTER, INK, MUTED, RULE, WORSE, finish, interval_tooltip, records, rows


def funnel(subjects: pl.DataFrame, unit: str, counted: str) -> Chart:
    """Return the funnel plot of one response and kind of subject: own effect by n with its 95 % interval.

    Args:
        subjects: rows of `benchmark`, in the displayed unit.
        unit: displayed unit.
        counted: label of n.
    """
    names = [say(text) for text in STANDING.values()]
    known = subjects.drop_nulls("standing").sort("n")
    known = known.with_columns(pl.col("standing").replace_strict(list(STANDING), names, default=None).alias("label"))
    y, title = say("own effect, {unit}", unit=unit), say("compared with the middle")
    base = alt.Chart(rows()).encode(
        x=alt.X("n:Q", title=counted, scale=alt.Scale(zero=False)),
        tooltip=[
            alt.Tooltip("subject_id:N", title=say("name")),
            alt.Tooltip("n:Q", title=counted),
            alt.Tooltip("shrunken:Q", title=y, format="+.2f"),
            *interval_tooltip("shrunken_lo95", "shrunken_hi95", "+.2f"),
            alt.Tooltip("label:N", title=title),
        ],
    )
    interval = base.mark_rule(color=MUTED, strokeWidth=4, opacity=0.4).encode(
        y=alt.Y("shrunken_lo95:Q", title=y), y2="shrunken_hi95:Q", tooltip=alt.value(None)
    )
    zero = alt.Chart(rows("zero")).mark_rule(color=RULE).encode(y="y:Q")
    color = alt.Color("label:N", title=title, sort=names, scale=alt.Scale(domain=names, range=[BETTER, INK, WORSE]))
    shape = alt.Shape("label:N", title=title, sort=names, scale=alt.Scale(domain=names))
    dots = base.mark_point(filled=True, size=60, opacity=0.9).encode(y="shrunken:Q", color=color, shape=shape)
    chart = alt.layer(zero, interval, dots).properties(width="container", height=260)
    columns = ["subject_id", "n", "shrunken", "shrunken_lo95", "shrunken_hi95", "standing", "label"]
    return finish(
        chart,
        say("Own effect by {counted}, with 95 percent intervals; zero is the middle", counted=counted),
        rows=records(known.select(columns)),
        zero=[{"y": 0}],
    )
