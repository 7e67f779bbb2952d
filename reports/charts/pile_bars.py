"""Beet piles: beet without soil received by shift and site, and the expected sugar loss per tonne."""

import altair as alt
import polars as pl

from reports.language.translate import chart_day, say
from reports.page.model import Chart
from reports.page.theme import LINE_DASHES, LINES, finish, records, rows


def pile_bars(piles: pl.DataFrame, loss_title: str) -> Chart:
    """Return the chart of expected loss per tonne, one line per site.

    Args:
        piles: `shift_date, site_id, loss, clean, lies`, one row per pile, in displayed units.
        loss_title: title of the loss with its unit.
    """
    only = alt.param(name="only_site", value="")
    sites = piles["site_id"].unique().sort().to_list()
    title = say("factory")
    base = (
        alt.Chart(rows())
        .transform_filter("!only_site || datum.site_id == only_site")
        .encode(
            x=alt.X("shift_date:T", title=None, axis=alt.Axis(format=chart_day(), tickCount=8)),
            y=alt.Y("loss:Q", title=loss_title, scale=alt.Scale(zero=False)),
            color=alt.Color("site_id:N", title=title, sort=sites, scale=alt.Scale(domain=sites, range=LINES)),
            tooltip=[
                alt.Tooltip("site_id:N", title=title),
                alt.Tooltip("shift_date:T", title=say("shift"), format=chart_day()),
                alt.Tooltip("loss:Q", title=loss_title, format=".2f"),
                alt.Tooltip("clean:Q", title=say("beet without soil"), format=",.0f"),
            ],
        )
    )
    dash = alt.StrokeDash("site_id:N", title=title, sort=sites, scale=alt.Scale(domain=sites, range=LINE_DASHES))
    line = base.mark_line(strokeWidth=2).encode(strokeDash=dash)
    size = alt.Size("clean:Q", title=say("beet without soil"), legend=None)
    dot = base.mark_point(filled=True, opacity=0.9).encode(size=size)
    chart = alt.layer(line, dot).add_params(only).properties(width="container", height=200)
    return finish(chart, say("Expected sugar loss per tonne of each pile, by shift and factory."), rows=records(piles))
