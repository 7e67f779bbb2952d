"""A field's passes, coloured by a setting one may choose; the load's own minutes ringed."""

import altair as alt
import polars as pl

from reports.language.translate import chart_day, say
from reports.page.model import Chart
from reports.page.theme import OBSERVED, finish, records, rows


def field_passes(passes: pl.DataFrame, settings: dict[str, str], chosen: str) -> Chart:
    """Draw the passes.

    Args:
        passes: `east_m, north_m, machine_id, at, share_pct` and a column for each setting, in the units shown.
        settings: column -> label with unit, of the settings that may be chosen.
        chosen: the column shown first.
    """
    pick = alt.param(
        name="setting",
        value=chosen,
        bind=alt.binding_select(options=list(settings), labels=list(settings.values()), name=say("Coloured by") + " "),
    )
    base = alt.Chart(rows()).transform_calculate(value="datum[setting]")
    x = alt.X("east_m:Q", title=say("metres east"), scale=alt.Scale(zero=False, nice=False))
    y = alt.Y("north_m:Q", title=say("metres north"), scale=alt.Scale(zero=False, nice=False))
    tooltip = [
        alt.Tooltip("machine_id:N", title=say("machine")),
        alt.Tooltip("at:T", title=say("time"), format=chart_day(" %H:%M:%S")),
        alt.Tooltip("value:Q", title=say("setting"), format=".1f"),
        alt.Tooltip("share_pct:Q", title=say("part of the load, %"), format=".2f"),
    ]
    dots = (
        base.transform_filter("isValid(datum.value)")
        .mark_square(size=26, opacity=0.9)
        .encode(
            x=x,
            y=y,
            tooltip=tooltip,
            color=alt.Color("value:Q", title=None, scale=alt.Scale(scheme="cividis", zero=False)),
        )
    )
    own = (
        base.transform_filter("datum.share_pct > 0")
        .mark_point(size=70, color=OBSERVED, strokeWidth=1.6)
        .encode(x=x, y=y)
    )
    chart = (dots + own).add_params(pick).properties(width="container", height=420)
    return finish(
        chart,
        say("Every 30 s of lifting in the field, coloured by the chosen setting; the load's are ringed."),
        rows=records(passes),
    )
