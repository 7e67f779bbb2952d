"""Map of a field's passes, coloured by a selectable setting, with the load's own minutes ringed."""

import altair as alt
import polars as pl

from reports.language.translate import chart_day, say
from reports.page.model import Chart
from reports.page.theme import OBSERVED, finish, records, rows


def field_passes(passes: pl.DataFrame, settings: dict[str, str], chosen: str) -> Chart:
    """Return the map.

    Args:
        passes: `east_m, north_m, machine_id, at, share_pct` and one column per setting, in displayed units.
        settings: column -> label with unit, for each selectable setting.
        chosen: column selected at first.
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
        alt.Tooltip("share_pct:Q", title=say("share of the load, %"), format=".2f"),
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
        say("Each 30 s of lifting in the field, coloured by the chosen setting; those of the load are ringed."),
        rows=records(passes),
    )
