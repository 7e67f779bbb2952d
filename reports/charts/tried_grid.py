"""What is told of each setting in each class of conditions, and where nobody has tried enough."""

import altair as alt
import polars as pl

from reports.language.translate import mark, say
from reports.page.model import Chart
from reports.page.theme import INK, NO_EFFECT, OPEN, TOLD, UNTOLD, finish, records, rows, span

STANDINGS = {
    mark("told"): TOLD,
    mark("no effect told"): NO_EFFECT,
    mark("confounded"): OPEN,
    mark("not tried enough"): UNTOLD,
}


def tried_grid(cells: pl.DataFrame) -> Chart:
    """Draw `label, class_, standing, n, change_pct, lo95, hi95`, a row a setting and class, in the order given."""
    names = [say(s) for s in STANDINGS]
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
            alt.Tooltip("named:N", title=say("standing")),
            alt.Tooltip("n:Q", title="n"),
            alt.Tooltip("change_pct:Q", title=say("change, %"), format="+.1f"),
            *span("lo95", "hi95", "+.1f"),
        ],
    )
    scale = alt.Scale(domain=names, range=list(STANDINGS.values()))
    box = base.mark_rect(stroke="#fffdf9", strokeWidth=2).encode(
        color=alt.Color("named:N", title=None, scale=scale, sort=names, legend=alt.Legend(orient="bottom", columns=2))
    )
    # Colour alone tells nobody who cannot see it: a sign in each cell says the same.
    sign = base.mark_text(fontSize=11, color=INK).encode(text="sign:N")
    chart = alt.layer(box, sign).properties(width="container", height=24 * cells["label"].n_unique())
    named = cells.with_columns(pl.col("standing").replace_strict(list(STANDINGS), names).alias("named"))
    return finish(chart, say("What is told of each setting in each class of conditions."), rows=records(named))
