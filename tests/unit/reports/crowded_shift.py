"""Data of a shift page with all that it can hold, made of the rows of a season."""

from dataclasses import replace

import polars as pl

from reports.pages.shift_data import ShiftPageData
from reports.sections.shift_summary_data import ShiftSummaryData


def _renamed(rows: pl.DataFrame, sources: list[str], names: list[str]) -> pl.DataFrame:
    """Return the rows of the source machines under new names, source by source in turn."""
    own = [rows.filter(pl.col("machine_id") == m) for m in sources]
    return pl.concat([own[i % len(own)].with_columns(machine_id=pl.lit(n)) for i, n in enumerate(names)])


def crowded_summary(data: ShiftSummaryData, machines: int = 12) -> ShiftSummaryData:
    """Return the contents of a first page on which every part is present.

    Args:
        data: contents of a page with advice.
        machines: number of machines, all with moves; each is a copy of one of the data's machines.
    """
    moves = data.advice.filter(pl.col("verdict") == "move")
    sources = [m for m in data.outcomes["machine_id"].to_list() if m in moves["machine_id"].to_list()]
    names = [f"M{k:02}" for k in range(1, machines + 1)]
    fleet = _renamed(data.machines, data.machines["machine_id"].to_list(), names)
    dirty = pl.col("machine_id") == names[0]
    # A third less for beets makes each of these moves a loss, so that the order depends on assumed prices.
    parts = {"gain_roots_per_t": 1.0, "gain_soil_per_t": -0.8, "gain_pile_per_t": 0.0, "gain_hours_per_t": 0.0}
    return replace(
        data,
        advice=_renamed(moves, sources, names).with_columns(pl.lit(v).alias(c) for c, v in parts.items()),
        outcomes=_renamed(data.outcomes, sources, names).sort(
            "gain_per_shift", "machine_id", descending=[True, False], nulls_last=True
        ),
        machines=fleet.with_columns(
            observed_pct=pl.when(dirty).then(pl.col("expected_hi95") + 3).otherwise("expected_pct"),
            observed_half=pl.when(dirty).then(1.0).otherwise("observed_half"),
        ),
        reasons=pl.DataFrame({"machine_id": names[:1], "source": ["separator_1_height_mm"], "points": [2.0]}),
        silent=pl.DataFrame({"machine_id": names[1:2], "silent_h": [41.0]}),
        untraced=pl.DataFrame({"field_id": ["F001"], "loads": [3]}),
        followed=pl.DataFrame(
            [(n, 1, "followed" if k % 3 > 0 else "partly", 6, 8.0 + k / 10, 7.5) for k, n in enumerate(names)],
            schema=["machine_id", "move_number", "uptake_code", "measured", "observed_pct", "advised_dirt_pct"],
            orient="row",
        ),
    )


def crowded_page(data: ShiftPageData, machines: int = 12) -> ShiftPageData:
    """Return the contents of the pages of a shift whose first page is that of `crowded_summary`."""
    summary = crowded_summary(data.summary, machines)
    return replace(data, summary=summary, advice=summary.advice)
