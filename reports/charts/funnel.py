"""Funnel plot: own effect of each subject by its number of loads, coloured by its standing."""

import altair as alt
import polars as pl

from reports.language.labels import STANDING, UNJUDGED
from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import BETTER, FEW, INK, MUTED, PALE, RULE, WORSE, finish, interval_tooltip, records, rows

COLOURS = {"lower": BETTER, "usual": INK, "higher": WORSE, UNJUDGED: MUTED}
BAND = 0.4
"""Opacity of the intervals, which lie over one another."""


def with_unjudged(subjects: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `benchmark` with the code `UNJUDGED` for subjects that are compared without a standing."""
    compared = pl.col("shrunken").is_not_null()
    return subjects.with_columns(pl.when(compared).then(pl.col("standing").fill_null(UNJUDGED)).alias("standing"))


def funnel(subjects: pl.DataFrame, unit: str, counted: str) -> Chart:
    """Return the funnel plot of one response and kind of subject: own effect by n with its 95 % interval.

    Subjects with fewer than `FEW` observations are pale.

    Args:
        subjects: rows of `benchmark`, in the displayed unit.
        unit: displayed unit.
        counted: label of n.
    """
    known = with_unjudged(subjects).drop_nulls("standing").sort("n")
    codes = [code for code in STANDING if code != UNJUDGED or UNJUDGED in known["standing"]]
    names = [say(STANDING[code]) for code in codes]
    known = known.with_columns(pl.col("standing").replace_strict(codes, names, default=None).alias("label"))
    is_few = f"datum.n < {FEW}"
    y, title = say("own effect, {unit}", unit=unit), say("compared with the middle")
    has_few = (known["n"] < FEW).any()
    across = say("{counted} (pale: fewer than {n})", counted=counted, n=FEW) if has_few else counted
    base = alt.Chart(rows()).encode(
        x=alt.X("n:Q", title=across, scale=alt.Scale(zero=False)),
        tooltip=[
            alt.Tooltip("subject_id:N", title=say("name")),
            alt.Tooltip("n:Q", title=counted),
            alt.Tooltip("shrunken:Q", title=y, format="+.2f"),
            *interval_tooltip("shrunken_lo95", "shrunken_hi95", "+.2f"),
            alt.Tooltip("label:N", title=title),
        ],
    )
    interval = base.mark_rule(color=MUTED, strokeWidth=4).encode(
        y=alt.Y("shrunken_lo95:Q", title=y),
        y2="shrunken_hi95:Q",
        tooltip=alt.value(None),
        opacity=alt.condition(is_few, alt.value(BAND * PALE), alt.value(BAND)),
    )
    zero = alt.Chart(rows("zero")).mark_rule(color=RULE).encode(y="y:Q")
    color = alt.Color(
        "label:N", title=title, sort=names, scale=alt.Scale(domain=names, range=[COLOURS[c] for c in codes])
    )
    shape = alt.Shape("label:N", title=title, sort=names, scale=alt.Scale(domain=names))
    dots = base.mark_point(filled=True, size=60).encode(
        y="shrunken:Q",
        color=color,
        shape=shape,
        opacity=alt.condition(is_few, alt.value(PALE), alt.value(0.9)),
    )
    chart = alt.layer(zero, interval, dots).properties(width="container", height=260)
    columns = ["subject_id", "n", "shrunken", "shrunken_lo95", "shrunken_hi95", "standing", "label"]
    return finish(
        chart,
        say("Own effect by {counted}, with 95 percent intervals; zero is the middle", counted=counted),
        rows=records(known.select(columns)),
        zero=[{"y": 0}],
    )
