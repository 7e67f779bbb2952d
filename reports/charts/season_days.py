"""Dirt delivered on each day of the season, the value expected for its conditions, and rain."""

import altair as alt
import polars as pl

from reports.language.translate import chart_day, say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, FEW, OBSERVED, PALE, WETNESS, finish, interval_tooltip, records, rows


def season_days(days: pl.DataFrame, rain_sign: str) -> Chart:
    """Return the chart of `season_day`.

    Dots of fewer than `FEW` measured loads are pale.

    Args:
        days: `day, observed_pct, lo, hi, expected_pct, measured, rain, topsoil_wetness`; rain in the displayed unit.
        rain_sign: symbol of the displayed unit of rain.
    """
    x = alt.X("day:T", title=None, axis=alt.Axis(format=chart_day(), tickCount=8))
    tooltip = [
        alt.Tooltip("day:T", title=say("day"), format=chart_day()),
        alt.Tooltip("observed_pct:Q", title=say("observed, %"), format=".1f"),
        *interval_tooltip("lo", "hi", ".1f"),
        alt.Tooltip("expected_pct:Q", title=say("expected, %"), format=".1f"),
        alt.Tooltip("measured:Q", title=say("n loads measured")),
        alt.Tooltip("rain:Q", title=say("rain, {unit}", unit=rain_sign), format=".1f"),
        alt.Tooltip("topsoil_wetness:Q", title=say("topsoil wetness"), format=".2f"),
    ]
    base = alt.Chart(rows()).encode(x=x, tooltip=tooltip)
    y = alt.Y("expected_pct:Q", title=say("dirt tare, % of delivered weight"), scale=alt.Scale(zero=True))
    expected = base.mark_line(color=EXPECTED, strokeDash=[5, 3], strokeWidth=2).encode(y=y)
    opacity = alt.condition(f"datum.measured < {FEW}", alt.value(PALE), alt.value(1.0))
    rule = base.mark_rule(color=OBSERVED).encode(y="lo:Q", y2="hi:Q", opacity=opacity)
    dot = base.mark_point(filled=True, size=46, color=OBSERVED).encode(y="observed_pct:Q", opacity=opacity)
    dirt = alt.layer(expected, rule, dot).properties(width="container", height=200)
    rain = (
        base.mark_bar(color=WETNESS["wet"], width=6)
        .encode(y=alt.Y("rain:Q", title=say("rain, {unit}", unit=rain_sign), axis=alt.Axis(tickCount=3)))
        .properties(width="container", height=70)
    )
    chart = alt.vconcat(dirt, rain, spacing=6).resolve_scale(x="shared")
    return finish(
        chart,
        say("Dirt tare of each day with its interval and the expected value; rain below."),
        rows=records(days),
    )
