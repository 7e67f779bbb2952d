"""Own level of each subject against the number of its loads, coloured by where it stands."""

import altair as alt
import polars as pl

from reports.language.translate import mark, say
from reports.page.model import Chart
from reports.page.theme import BETTER, INK, MUTED, RULE, WORSE, finish, records, rows, span

STANDING = {"lower": mark("clearly lower"), "usual": mark("not clearly apart"), "higher": mark("clearly higher")}
"""Code of `benchmark.standing` -> words; texts, tables and charts share the code."""


def funnel(subjects: pl.DataFrame, unit: str, counted: str) -> Chart:
    """Draw `benchmark` rows of one response and kind: own level by n with its 95 % interval.

    Args:
        subjects: the rows, in the unit shown.
        unit: the unit shown.
        counted: what n counts.
    """
    names = [say(text) for text in STANDING.values()]
    known = subjects.drop_nulls("standing").sort("n")
    known = known.with_columns(pl.col("standing").replace_strict(list(STANDING), names, default=None).alias("stands"))
    y, title = say("own, {unit}", unit=unit), say("against the middle")
    base = alt.Chart(rows()).encode(
        x=alt.X("n:Q", title=counted, scale=alt.Scale(zero=False)),
        tooltip=[
            alt.Tooltip("subject_id:N", title=say("who")),
            alt.Tooltip("n:Q", title=counted),
            alt.Tooltip("shrunken:Q", title=y, format="+.2f"),
            *span("shrunken_lo95", "shrunken_hi95", "+.2f"),
            alt.Tooltip("stands:N", title=title),
        ],
    )
    interval = base.mark_rule(color=MUTED, strokeWidth=4, opacity=0.4).encode(
        y=alt.Y("shrunken_lo95:Q", title=y), y2="shrunken_hi95:Q", tooltip=alt.value(None)
    )
    zero = alt.Chart(rows("zero")).mark_rule(color=RULE).encode(y="y:Q")
    color = alt.Color("stands:N", title=title, sort=names, scale=alt.Scale(domain=names, range=[BETTER, INK, WORSE]))
    shape = alt.Shape("stands:N", title=title, sort=names, scale=alt.Scale(domain=names))
    dots = base.mark_point(filled=True, size=60, opacity=0.9).encode(y="shrunken:Q", color=color, shape=shape)
    chart = alt.layer(zero, interval, dots).properties(width="container", height=260)
    columns = ["subject_id", "n", "shrunken", "shrunken_lo95", "shrunken_hi95", "standing", "stands"]
    return finish(
        chart,
        say("Own level by {counted}, with 95 percent intervals about the middle at zero", counted=counted),
        rows=records(known.select(columns)),
        zero=[{"y": 0}],
    )
