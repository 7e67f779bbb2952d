"""Dots with intervals of subjects by name, in three groups: above, at and below the fleet's usual value."""

import json

import altair as alt
import polars as pl

from reports.charts.funnel import COLOURS, with_unjudged
from reports.language.labels import UNJUDGED
from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import FEW, MUTED, PALE, finish, interval_tooltip, records, rows

ORDER = ("higher", "usual", "lower", UNJUDGED)
"""Codes of a standing from the top of the chart to its bottom."""
SHAPES = {"higher": "triangle-up", "usual": "circle", "lower": "triangle-down", UNJUDGED: "diamond"}
ROW_HEIGHT = 24
MARGIN = 1.05
"""Half of the axis over the farthest end of an interval."""
HEADER = "\u2060"
"""Word joiner, invisible, before the label of a group: no name can take the row of a group."""


def grouped(subjects: pl.DataFrame) -> pl.DataFrame:
    """Return the compared subjects from the highest group to the lowest, the highest first in each group."""
    known = with_unjudged(subjects).drop_nulls("standing")
    rank = pl.col("standing").replace_strict(list(ORDER), list(range(len(ORDER))), return_dtype=pl.Int8)
    return known.sort(rank, pl.col("shrunken"), "subject_id", descending=[False, True, False])


def subject_groups(subjects: pl.DataFrame, names: dict[str, str], title: str, counted: str) -> Chart:
    """Return the chart of one response and kind of subject, one row per subject, with a heading per group.

    Args:
        subjects: rows of `benchmark`, in the displayed unit.
        names: code of `standing` -> label of its group.
        title: title of the axis with its unit.
        counted: label of n.
    """
    drawn = grouped(subjects).with_columns(pl.col("standing").replace_strict(names).alias("label"))
    lines, headers = [], []
    codes = [code for code in ORDER if code != UNJUDGED or UNJUDGED in drawn["standing"]]
    for code in codes:
        own = drawn.filter(pl.col("standing") == code)["subject_id"].to_list()
        headers.append(HEADER + say("{group} ({n})", group=names[code], n=len(own)))
        lines += [headers[-1], *own]
    is_header = f"indexof({json.dumps(headers)}, datum.value) >= 0"
    y = alt.Y(
        "subject_id:N",
        title=None,
        scale=alt.Scale(domain=lines),
        axis=alt.Axis(
            labelFontWeight={"condition": {"test": is_header, "value": "bold"}, "value": "normal"},
            ticks=False,
            domain=False,
            grid=False,
        ),
    )
    far = max((abs(v) for c in ("shrunken_lo95", "shrunken_hi95") for v in drawn[c].drop_nulls()), default=1.0)
    x_scale = alt.Scale(domain=[-MARGIN * far, MARGIN * far], nice=False)
    opacity = alt.condition(f"datum.n < {FEW}", alt.value(PALE), alt.value(1.0))
    domain = [names[code] for code in codes]
    color = alt.Color("label:N", legend=None, scale=alt.Scale(domain=domain, range=[COLOURS[c] for c in codes]))
    shape = alt.Shape("label:N", legend=None, scale=alt.Scale(domain=domain, range=[SHAPES[c] for c in codes]))
    base = alt.Chart(rows()).encode(
        y=y,
        color=color,
        opacity=opacity,
        tooltip=[
            alt.Tooltip("subject_id:N", title=say("name")),
            alt.Tooltip("shrunken:Q", title=title, format="+.1f"),
            *interval_tooltip("shrunken_lo95", "shrunken_hi95", "+.1f"),
            alt.Tooltip("n:Q", title=counted),
        ],
    )
    low = alt.X("shrunken_lo95:Q", title=title, scale=x_scale, axis=alt.Axis(tickCount=6))
    zero = alt.Chart(rows("zero")).mark_rule(color=MUTED).encode(x=alt.X("x:Q", title=title, scale=x_scale))
    interval = base.mark_rule(strokeWidth=2.5).encode(x=low, x2="shrunken_hi95:Q", tooltip=alt.value(None))
    dots = base.mark_point(filled=True, size=90).encode(x="shrunken:Q", shape=shape)
    chart = alt.layer(zero, interval, dots).properties(width="container", height=ROW_HEIGHT * len(lines))
    columns = ["subject_id", "n", "shrunken", "shrunken_lo95", "shrunken_hi95", "standing", "label"]
    description = say(
        "One row per name, in three groups; the interval of a dot is wholly above the usual value, reaches it, or is "
        "wholly below it"
    )
    return finish(chart, description, rows=records(drawn.select(columns)), zero=[{"x": 0}])
