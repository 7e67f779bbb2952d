"""A funnel: what is unexplained of each subject against how well it is known, with limits."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import BETTER, INK, MUTED, RULE, WORSE, finish, inline

STANDING = ["within", "beyond 95 %", "beyond 99.8 %"]


def funnel(rows: pl.DataFrame, unit: str, counted: str) -> dict[str, Any]:
    """Draw `benchmark` rows of one response and kind: unexplained by n, with each one's 95 and 99.8 % limits.

    Args:
        rows: the rows, in the unit shown.
        unit: the unit shown.
        counted: what n counts.
    """
    told = rows.drop_nulls("unexplained").sort("n")
    base = alt.Chart(inline(told.to_dicts())).encode(
        x=alt.X("n:Q", title=counted, scale=alt.Scale(zero=False)),
        tooltip=[
            alt.Tooltip("subject_id:N", title="who"), alt.Tooltip("n:Q", title=counted),
            alt.Tooltip("unexplained:Q", title=f"unexplained, {unit}", format="+.2f"),
            alt.Tooltip("lo95:Q", title="95 % from", format="+.2f"), alt.Tooltip("hi95:Q", title="to", format="+.2f"),
            alt.Tooltip("funnel:N", title="limits"),
        ],
    )  # fmt: skip
    # Limits go with what is known of each subject, not with its loads alone: a bar each, not a curve.
    limits = [
        base.transform_calculate(low=f"-datum.{column}")
        .mark_rule(color=MUTED, strokeWidth=width, opacity=opacity)
        .encode(y=alt.Y("low:Q", title=f"unexplained, {unit}"), y2=f"{column}:Q", tooltip=alt.value(None))
        for column, width, opacity in (("limit_998", 2, 0.35), ("limit_95", 8, 0.25))
    ]
    zero = alt.Chart(inline([{"y": 0}])).mark_rule(color=RULE).encode(y="y:Q")
    color = alt.Color(
        "funnel:N",
        title="against the limits",
        sort=STANDING,
        scale=alt.Scale(domain=STANDING, range=[INK, BETTER, WORSE]),
    )
    shape = alt.Shape("funnel:N", title="against the limits", sort=STANDING, scale=alt.Scale(domain=STANDING))
    dots = base.mark_point(filled=True, size=60, opacity=0.9).encode(y="unexplained:Q", color=color, shape=shape)
    chart = alt.layer(zero, *limits, dots).properties(width="container", height=260)
    return finish(chart, description=f"Unexplained part by number of {counted}, with 95 and 99.8 percent limits")
