"""Dirt of each machine in the shift against what its conditions lead one to expect."""

from typing import Any

import altair as alt
import polars as pl

from reports.theme import EXPECTED, OBSERVED, finish, inline


def machine_dirt(machines: pl.DataFrame) -> dict[str, Any]:
    """Draw `shift_machine`: a band for the expected dirt tare, a dot with its interval for the observed."""
    rows = machines.drop_nulls("observed_pct").with_columns(
        (pl.col("observed_pct") - pl.col("observed_half")).alias("observed_lo"),
        (pl.col("observed_pct") + pl.col("observed_half")).alias("observed_hi"),
        (pl.col("observed_pct") - pl.col("expected_pct")).alias("over"),
    )
    order = rows.sort("over", descending=True)["machine_id"].to_list()
    y = alt.Y("machine_id:N", sort=order, title=None)
    tooltip = [
        alt.Tooltip("machine_id:N", title="Machine"),
        alt.Tooltip("observed_pct:Q", title="Observed, %", format=".1f"),
        alt.Tooltip("expected_pct:Q", title="Expected, %", format=".1f"),
        alt.Tooltip("expected_lo95:Q", title="Expected, low 95 %", format=".1f"),
        alt.Tooltip("expected_hi95:Q", title="Expected, high 95 %", format=".1f"),
        alt.Tooltip("measured:Q", title="Loads measured (n)"),
    ]
    base = alt.Chart(inline(rows.to_dicts())).encode(y=y, tooltip=tooltip)
    title = "dirt tare, % of gross"
    band = base.mark_bar(size=14, color=EXPECTED, opacity=0.35).encode(
        x=alt.X("expected_lo95:Q", title=title, axis=alt.Axis(tickCount=6)), x2="expected_hi95:Q"
    )
    tick = base.mark_tick(size=18, thickness=2, color=EXPECTED).encode(x="expected_pct:Q")
    rule = base.mark_rule(color=OBSERVED, strokeWidth=2).encode(x="observed_lo:Q", x2="observed_hi:Q")
    dot = base.mark_point(filled=True, size=80, color=OBSERVED, opacity=1).encode(x="observed_pct:Q")
    chart = (band + tick + rule + dot).properties(width="container", height=26 * rows.height)
    return finish(
        chart,
        description="Observed dirt tare of each machine with its interval, over a band of what its conditions explain.",
    )
