"""A field's passes, coloured by a setting one may choose; the load's own minutes ringed."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import OBSERVED, finish, inline


def field_passes(passes: pl.DataFrame, settings: dict[str, str], chosen: str) -> dict[str, Any]:
    """Draw the passes.

    Args:
        passes: `east_m, north_m, machine_id, at, share_pct` and a column for each setting, in the units shown.
        settings: column -> label with unit, of the settings that may be chosen.
        chosen: the column shown first.
    """
    pick = alt.param(
        name="setting",
        value=chosen,
        bind=alt.binding_select(options=list(settings), labels=list(settings.values()), name="Coloured by "),
    )
    rows = inline(passes.with_columns(pl.col("at").dt.strftime("%Y-%m-%dT%H:%M:%S")).to_dicts())
    base = alt.Chart(rows).transform_calculate(value="datum[setting]")
    x = alt.X("east_m:Q", title="metres east", scale=alt.Scale(zero=False, nice=False))
    y = alt.Y("north_m:Q", title="metres north", scale=alt.Scale(zero=False, nice=False))
    tooltip = [
        alt.Tooltip("machine_id:N", title="Machine"),
        alt.Tooltip("at:T", title="Time", format="%-d %b %H:%M:%S"),
        alt.Tooltip("value:Q", title="Setting", format=".1f"),
        alt.Tooltip("share_pct:Q", title="Part of the load, %", format=".2f"),
    ]
    dots = base.transform_filter("isValid(datum.value)").mark_square(size=26, opacity=0.9).encode(
        x=x, y=y, tooltip=tooltip,
        color=alt.Color("value:Q", title=None, scale=alt.Scale(scheme="cividis", zero=False)),
    )  # fmt: skip
    own = (
        base.transform_filter("datum.share_pct > 0")
        .mark_point(size=70, color=OBSERVED, strokeWidth=1.6)
        .encode(x=x, y=y)
    )
    chart = (dots + own).add_params(pick).properties(width="container", height=420)
    return finish(
        chart, description="Every 30 s of lifting in the field, coloured by the chosen setting; the load's are ringed."
    )
