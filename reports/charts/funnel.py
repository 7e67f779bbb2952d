"""A funnel: what is unexplained of each subject against how well it is known, with limits."""

import altair as alt
import polars as pl

from reports.document import Chart
from reports.text import say, told
from reports.theme import BETTER, INK, MUTED, RULE, WORSE, finish, records, rows, span

STANDING = ["within", "beyond 95 %", "beyond 99.8 %"]


def funnel(subjects: pl.DataFrame, unit: str, counted: str) -> Chart:
    """Draw `benchmark` rows of one response and kind: unexplained by n, with each one's 95 and 99.8 % limits.

    Args:
        subjects: the rows, in the unit shown.
        unit: the unit shown.
        counted: what n counts.
    """
    names = [told(s) for s in STANDING]
    known = subjects.drop_nulls("unexplained").sort("n")
    known = known.with_columns(pl.col("funnel").replace_strict(STANDING, names, default=None).alias("limits"))
    y = say("unexplained, {unit}", unit=unit)
    base = alt.Chart(rows()).encode(
        x=alt.X("n:Q", title=counted, scale=alt.Scale(zero=False)),
        tooltip=[
            alt.Tooltip("subject_id:N", title=say("who")), alt.Tooltip("n:Q", title=counted),
            alt.Tooltip("unexplained:Q", title=y, format="+.2f"),
            *span("lo95", "hi95", "+.2f"), alt.Tooltip("limits:N", title=say("limits")),
        ],
    )  # fmt: skip
    # Limits go with what is known of each subject, not with its loads alone: a bar each, not a curve.
    limits = [
        base.transform_calculate(low=f"-datum.{column}")
        .mark_rule(color=MUTED, strokeWidth=width, opacity=opacity)
        .encode(y=alt.Y("low:Q", title=y), y2=f"{column}:Q", tooltip=alt.value(None))
        for column, width, opacity in (("limit_998", 2, 0.35), ("limit_95", 8, 0.25))
    ]
    zero = alt.Chart(rows("zero")).mark_rule(color=RULE).encode(y="y:Q")
    title = say("against the limits")
    color = alt.Color("limits:N", title=title, sort=names, scale=alt.Scale(domain=names, range=[INK, BETTER, WORSE]))
    shape = alt.Shape("limits:N", title=title, sort=names, scale=alt.Scale(domain=names))
    dots = base.mark_point(filled=True, size=60, opacity=0.9).encode(y="unexplained:Q", color=color, shape=shape)
    chart = alt.layer(zero, *limits, dots).properties(width="container", height=260)
    columns = ["subject_id", "n", "unexplained", "lo95", "hi95", "limits", "limit_95", "limit_998"]
    return finish(
        chart, say("Unexplained part by {counted}, with limits of 95 and 99.8 percent", counted=counted),
        rows=records(known.select(columns)), zero=[{"y": 0}],
    )  # fmt: skip
