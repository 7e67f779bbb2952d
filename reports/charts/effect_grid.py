"""Grid of effect estimates by setting and class of conditions, with the classes that lack data."""

from dataclasses import dataclass

import altair as alt
import polars as pl

from reports.language.translate import mark, say
from reports.page.model import Chart
from reports.page.theme import (
    CLEAR_EFFECT,
    CONFOUNDED,
    INK,
    NO_EFFECT,
    UNTRIED,
    finish,
    interval_tooltip,
    records,
    rows,
)


@dataclass(frozen=True)
class Standing:
    """Label, sign and colour of a `standing` code of the query `effect_class`."""

    label: str
    sign: str
    colour: str


STANDINGS = {
    "clear": Standing(mark("clear effect"), "●", CLEAR_EFFECT),
    "none": Standing(mark("no clear effect"), "○", NO_EFFECT),
    "confounded": Standing(mark("confounded"), "!", CONFOUNDED),
    "not_tried": Standing(mark("not tried enough"), "·", UNTRIED),
}
"""Code of `effect_class.standing` -> presentation."""


def effect_grid(cells: pl.DataFrame) -> Chart:
    """Return the grid.

    Args:
        cells: `label, class_, standing, n, change_pct, lo95, hi95`, one row per setting and class, in display order.
    """
    names = [say(s.label) for s in STANDINGS.values()]
    base = alt.Chart(rows()).encode(
        x=alt.X(
            "class_:N",
            sort=cells["class_"].unique(maintain_order=True).to_list(),
            title=None,
            axis=alt.Axis(orient="top", labelAngle=-35),
        ),
        y=alt.Y("label:N", sort=cells["label"].unique(maintain_order=True).to_list(), title=None),
        tooltip=[
            alt.Tooltip("label:N", title=say("setting")),
            alt.Tooltip("class_:N", title=say("conditions")),
            alt.Tooltip("named:N", title=say("result")),
            alt.Tooltip("n:Q", title="n"),
            alt.Tooltip("change_pct:Q", title=say("change, %"), format="+.1f"),
            *interval_tooltip("lo95", "hi95", "+.1f"),
        ],
    )
    scale = alt.Scale(domain=names, range=[s.colour for s in STANDINGS.values()])
    box = base.mark_rect(stroke="#fffdf9", strokeWidth=2).encode(
        color=alt.Color("named:N", title=None, scale=scale, sort=names, legend=alt.Legend(orient="bottom", columns=2))
    )
    # Not everybody can distinguish the colours, so each cell carries a sign as well.
    sign = base.mark_text(fontSize=11, color=INK).encode(text="sign:N")
    chart = alt.layer(box, sign).properties(width="container", height=24 * cells["label"].n_unique())
    named = cells.with_columns(
        pl.col("standing").replace_strict(list(STANDINGS), names).alias("named"),
        pl.col("standing").replace_strict({k: s.sign for k, s in STANDINGS.items()}).alias("sign"),
    )
    return finish(chart, say("Effect estimate of each setting in each class of conditions."), rows=records(named))
