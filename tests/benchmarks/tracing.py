"""Quality of tracing on invented seasons, beside two baselines: tables of tests/validation/RESULTS.md and the plot.

Run: .venv/bin/python tests/benchmarks/tracing.py              writes the tables and transforms/trace/calibration.svg
     .venv/bin/python tests/benchmarks/tracing.py --calibrate   prints the knots of transforms/trace/calibration.py

Seasons for the knots and for the table have other seeds and other mechanics; the tracing was built on neither.
"""

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import polars as pl
import vl_convert
from scipy.optimize import linear_sum_assignment

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.traced import (
    TracedSeason,
    baselines,
    mean_settings,
    overlap,
    right_machine,
    settings_r2,
    trace_plan,
)
from transforms.arrays import to_float
from transforms.demo.scenario import Plan, Scenario
from transforms.trace import calibration

MILD: dict[str, Any] = {
    "lag_scale": 0.9,
    "capacity_sd_t": 1.0,
    "patchiness": 0.02,
    "forecast_error": 0.05,
    "missing": 0.003,
    "site_clocks": (("east", 7.0, 0), ("west", 60.0, 3)),
}
ROUGH: dict[str, Any] = {
    "lag_scale": 1.2,
    "capacity_sd_t": 2.0,
    "patchiness": 0.045,
    "forecast_error": 0.10,
    "missing": 0.006,
    "wrong_field": 0.003,
    "split": 0.04,
    "site_clocks": (("east", -7.0, 0), ("west", -60.0, 0)),
    "machine_clocks": ((-1, 11.0), (0, -5.0)),
}
MECHANICS = (("mild", MILD), ("rough", ROUGH))
SIGNALS = {"none": "not seen", "mixed": "mixed fleet"}
"""Words of the table for kinds of signals; other kinds go by their own name."""
WAYS = ("traced", "field's hour before weigh-in", "nearest unload in time")


@dataclass(frozen=True)
class Cell:
    """One kind of season."""

    signal: str | None
    ids: float
    machines: int
    mechanics: str
    seed: int

    @property
    def plan(self) -> Plan:
        scenario = Scenario(
            signal=self.signal,
            ticket_ids=self.ids,
            machines_a_field=self.machines,
            sites=4,
            **dict(MECHANICS)[self.mechanics],
        )
        return Plan(6, 6, self.seed, scenario=scenario)


def ceiling(season: TracedSeason) -> float:
    """Share of loads whose machine would be right if departure times, but not tickets, were known to the second."""
    lag = season.loads.join(season.season.tickets.select("load_id", "left_s", "machine"), on="load_id")
    weighed = lag["weighed_at"].dt.timestamp("us").to_numpy() / 60e6
    midnight = season.season.midnight.timestamp() / 60
    lag = lag.with_columns(pl.Series("weighed_min", weighed - midnight), (pl.col("left_s") / 60).alias("left_min"))
    lag = lag.with_columns((pl.col("weighed_min") - pl.col("left_min") - 1.45 * pl.col("km")).alias("rest"))
    lag = lag.with_columns(pl.col("rest").median().over("site_id", pl.col("weighed_at").dt.date()).alias("usual"))
    sd = to_float((lag["rest"] - lag["usual"]).std())
    hits = count = 0
    for _, part in lag.filter(pl.col("machine") >= 0).group_by("field_id", pl.col("left_min") // 1440):
        reported, left = part["left_field_at"].is_not_null().to_numpy(), part["left_min"].to_numpy()
        thought = (part["weighed_min"] - 1.45 * part["km"] - part["usual"]).to_numpy()
        off = np.where(reported, left, thought)[:, None] - left[None, :]
        cost = (off / np.where(reported, 1.0, sd)[:, None]) ** 2
        machine = part["machine"].to_numpy()
        named = part["machine_id"].is_not_null().to_numpy()
        cost += np.where(named[:, None] & (machine[:, None] != machine[None, :]), 1e6, 0.0)
        rows, slots = linear_sum_assignment(cost)
        hits, count = hits + int((machine[rows] == machine[slots]).sum()), count + part.height
    return hits / count


def measured(cell: Cell) -> tuple[list[dict[str, object]], pl.DataFrame]:
    """Trace one season: a row for the tracing and each baseline, and grade, kind and overlap of every load."""
    season = trace_plan(cell.plan)
    truth, true = season.truth, season.true_settings()
    ways = {"traced": season.load_trace} | baselines(season.bins, season.loads, season.unloads)
    rows = []
    for way, found in ways.items():
        known = found.filter(pl.col("bin_at").is_not_null())
        r2 = settings_r2(mean_settings(known, season.bins, season.settings), true, season.settings)
        rows.append(
            {
                "signal": cell.signal or "mixed",
                "ids": cell.ids,
                "machines": cell.machines,
                "mechanics": cell.mechanics,
                "way": way,
                "loads": truth["load_id"].n_unique(),
                "overlap": to_float(overlap(found, truth)["overlap"].mean()),
                "right": right_machine(found, truth),
                "r2": float(np.mean(list(r2.values()))),
                "ceiling": ceiling(season) if way == "traced" else None,
            }
        )
    graded = overlap(season.load_trace, truth).join(season.grade, on="load_id")
    return rows, graded.select("overlap", "trace_quality", "claimed_quality", "kind_code")


def cells(first_seed: int) -> list[Cell]:
    grid = product(("flag", "none"), (1.0, 0.6, 0.0), (1, 2, 3), ("mild", "rough"))
    more = product(("level", "counter", None), (0.6,), (1, 2), ("mild", "rough"))
    return [Cell(*kind, seed=first_seed + i) for i, kind in enumerate([*grid, *more])]


def calibrate() -> None:
    """Print the knots: mean overlap about each value of what the tracing thinks."""
    with ProcessPoolExecutor(2) as pool:
        graded = pl.concat([found for _, found in pool.map(measured, cells(9000))])
    for kind in calibration.KINDS:
        rows = graded.filter(pl.col("kind_code") == kind)
        sure, hit = rows["claimed_quality"].to_numpy(), rows["overlap"].to_numpy()
        knots = np.array(calibration.KNOTS)
        # Least squares of a line bent at the knots, held rising.
        basis = np.array([np.interp(sure, knots, row) for row in np.eye(knots.size)]).T
        ridge = 3.0 * np.diff(np.eye(knots.size), 2, axis=0)
        a = np.vstack([basis, ridge, 1e3 * np.eye(knots.size)[:1]])
        at = np.linalg.lstsq(a, np.concatenate([hit, np.zeros(ridge.shape[0] + 1)]), rcond=None)[0]
        print(kind, [round(float(v), 2) for v in np.maximum.accumulate(np.clip(at, 0, 1))])


def spaced(number: int) -> str:
    """Return a number with spaces between thousands."""
    return f"{number:,}".replace(",", " ")


def compared(rows: pl.DataFrame, what: str) -> str:
    """Return the means of a figure: traced, then those of the baselines."""
    means = dict(rows.group_by("way").agg(pl.col(what).mean()).iter_rows())
    traced, *others = (means.get(way) for way in WAYS)
    return " / ".join([f"**{traced:.3f}**", *("" if m is None else f"{m:.2f}" for m in others)])


def overlap_row(rows: pl.DataFrame, first: list[str], *, has_ceiling: bool) -> list[str]:
    """Return a row of the table of overlap, right machine and settings."""
    loads = int(rows.filter(pl.col("way") == "traced")["loads"].sum())
    overlaps, right, r2 = (compared(rows, what) for what in ("overlap", "right", "r2"))
    ceilings = f"{to_float(rows['ceiling'].mean()):.3f}" if has_ceiling else ""
    return [*first, spaced(loads), overlaps, right, ceilings, r2]


def write_overlap(table: pl.DataFrame) -> None:
    """Write a row per kind of season, and the mean of the grid with and without signals."""
    rows = [
        overlap_row(part, [SIGNALS.get(signal, signal), f"{100 * ids:.0f} %", f"{machines}"], has_ceiling=True)
        for (signal, ids, machines), part in table.group_by("signal", "ids", "machines", maintain_order=True)
    ]
    for signal in ("flag", "none"):
        part = table.filter(pl.col("signal") == signal)
        rows.append(overlap_row(part, [f"{SIGNALS.get(signal, signal)}: mean of nine", "", ""], has_ceiling=False))
    head = ["emptyings", "tickets that name a machine", "machines per field", "loads", "overlap", "right machine"]
    write_figures(VALIDATION, "overlap", markdown_table([*head, "ceiling", "R2"], rows))


def plot(graded: pl.DataFrame) -> None:
    """Write mean overlap of loads by their grade, ten classes, and draw it into calibration.svg."""
    seen = pl.col("kind_code").str.starts_with("silent").not_().alias("seen")
    classes = graded.with_columns(seen, (pl.col("trace_quality") * 10).floor().clip(0, 9).alias("tenth"))
    table = classes.group_by("seen", "tenth").agg(pl.len().alias("n"), pl.col("trace_quality", "overlap").mean())
    table = table.filter(pl.col("n") >= 30).with_columns(
        pl.when("seen").then(pl.lit("emptyings seen")).otherwise(pl.lit("not seen")).alias("kind")
    )
    rows = [
        ["seen" if r["seen"] else "not seen", spaced(r["n"]), f"{r['trace_quality']:.2f}", f"{r['overlap']:.2f}"]
        for r in table.sort("seen", "tenth").iter_rows(named=True)
    ]
    write_figures(VALIDATION, "grades", markdown_table(["emptyings", "loads", "reported", "true"], rows))
    scale = alt.Scale(domain=[0, 1])
    dots = (
        alt.Chart(table)
        .mark_point(filled=True, opacity=1)
        .encode(
            x=alt.X("trace_quality:Q", title="trace_quality said", scale=scale),
            y=alt.Y("overlap:Q", title="mass where it was said to be", scale=scale),
            size=alt.Size("n:Q", title="loads", scale=alt.Scale(range=[30, 400])),
            shape=alt.Shape("kind:N", title=None),
            color=alt.Color("kind:N", title=None, scale=alt.Scale(range=["#1f4f8f", "#c98a1b"])),
        )
    )
    line = alt.Chart(pl.DataFrame({"x": [0, 1], "y": [0, 1]})).mark_line(color="#615b53", strokeDash=[4, 4])
    chart = (line.encode(x="x:Q", y="y:Q") + dots).properties(width=320, height=320)
    svg = vl_convert.vegalite_to_svg(chart.to_json())
    (ROOT / "transforms" / "trace" / "calibration.svg").write_text(svg, "utf-8")


def main() -> None:
    """Measure every cell and write the tables."""
    if sys.argv[1:] == ["--calibrate"]:
        calibrate()
        return
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(measured, cells(4000)))
    table = pl.DataFrame([row for rows, _ in found for row in rows], infer_schema_length=None)
    write_overlap(table)
    plot(pl.concat([graded for _, graded in found]))


if __name__ == "__main__":
    main()
