"""Dirt of each machine in the shift compared with the value expected for its conditions."""

import altair as alt
import polars as pl

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, FEW, OBSERVED, PALE, finish, interval_tooltip, records, rows


def machine_dirt(machines: pl.DataFrame) -> Chart:
    """Return the chart of `shift_machine`: bands for expected dirt tare, dots with intervals for observed dirt tare.

    Dots of fewer than `FEW` measured loads are pale.
    """
    drawn = machines.drop_nulls("observed_pct").with_columns(
        (pl.col("observed_pct") - pl.col("observed_half")).alias("observed_lo"),
        (pl.col("observed_pct") + pl.col("observed_half")).alias("observed_hi"),
        (pl.col("observed_pct") - pl.col("expected_pct")).alias("over"),
    )
    y = alt.Y("machine_id:N", sort=alt.EncodingSortField("over", order="descending"), title=None)
    tooltip = [
        alt.Tooltip("machine_id:N", title=say("machine")),
        alt.Tooltip("observed_pct:Q", title=say("observed, %"), format=".1f"),
        *interval_tooltip("observed_lo", "observed_hi", ".1f"),
        alt.Tooltip("expected_pct:Q", title=say("expected, %"), format=".1f"),
        *interval_tooltip("expected_lo95", "expected_hi95", ".1f", say("expected from, 95 %")),
        alt.Tooltip("measured:Q", title=say("n loads measured")),
    ]
    only = [alt.param(name=f"only_{m}", value="") for m in ("machine", "site")]
    base = (
        alt.Chart(rows())
        .transform_filter("!only_machine || datum.machine_id == only_machine")
        .transform_filter("!only_site || indexof(split(datum.sites, '|'), only_site) >= 0")
        .encode(y=y, tooltip=tooltip)
    )
    x = alt.X("expected_lo95:Q", title=say("dirt tare, % of delivered weight"), axis=alt.Axis(tickCount=6))
    band = base.mark_bar(size=14, color=EXPECTED, opacity=0.35).encode(x=x, x2="expected_hi95:Q")
    tick = base.mark_tick(size=18, thickness=2, color=EXPECTED).encode(x="expected_pct:Q")
    opacity = alt.condition(f"datum.measured < {FEW}", alt.value(PALE), alt.value(1.0))
    rule = base.mark_rule(color=OBSERVED, strokeWidth=2).encode(x="observed_lo:Q", x2="observed_hi:Q", opacity=opacity)
    dot = base.mark_point(filled=True, size=80, color=OBSERVED).encode(x="observed_pct:Q", opacity=opacity)
    chart = alt.layer(band, tick, rule, dot).add_params(*only).properties(width="container", height=26 * drawn.height)
    return finish(
        chart,
        say("Observed dirt tare of each machine with its interval, over the band expected for its conditions."),
        rows=records(drawn),
    )
