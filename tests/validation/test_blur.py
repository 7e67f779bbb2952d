"""Blur of the trace: uncorrected effects shrink, corrected ones do not (writes the table of RESULTS.md)."""

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.traced import TracedSeason, main_machine, mean_settings, trace_plan
from transforms.demo.scenario import Plan, Scenario
from transforms.model.measurement_error import lag1_autocorrelation, reliability
from transforms.trace import field_trace as trace
from transforms.trace.association import Association
from transforms.trace.load_ends_hmm import Placement
from transforms.trace.shares import load_shares

HARD = [
    ("emptyings seen, all named, one machine", "flag", 1.0, 1, (0.97, 1.03)),
    ("emptyings seen, 60 % named, two machines", "flag", 0.6, 2, (0.94, 1.05)),
    ("not seen, 60 % named, two machines", "none", 0.6, 2, (0.94, 1.06)),
    ("emptyings seen, none named, two machines", "flag", 0.0, 2, (0.88, 1.06)),
    ("not seen, none named, three machines", "none", 0.0, 3, (0.88, 1.08)),
]
NOISE_SD = 0.15
SLOPE = -0.06


def likeliest(shares):
    """Shares as if the likeliest machine and end of every load were certain: what a trace without uncertainty says."""

    def of(stretch, shared, i):
        m = int(np.argmax(shared.belief[i]))
        place = shared.placed.get((i, m))
        if place is None or not place.end_t.size:
            return shares(stretch, shared, i)
        k = int(np.argmax(place.chance))
        belief = np.zeros_like(shared.belief)
        belief[i, m] = 1.0
        one = Placement(1.0, place.end_t[k : k + 1], place.size_t[k : k + 1], np.ones(1))
        return shares(stretch, Association(belief, {(i, m): one}, np.ones_like(belief)), i)

    return of


def pairs(season: TracedSeason) -> pl.DataFrame:
    """True and traced mean settings of the loads a fit would use."""
    found = mean_settings(season.load_trace.drop_nulls("bin_at"), season.bins, season.settings)
    visit = season.loads.select("load_id", "field_id", "weighed_at", pl.col("weighed_at").dt.date().alias("day"))
    usable = season.grade.filter((pl.col("reason_code") != "from_heap") & (pl.col("trace_quality") >= 0.4))
    both = season.true_settings().join(found, on="load_id", suffix="_found").join(visit, on="load_id")
    return both.join(main_machine(season.load_trace), on="load_id").join(usable, on="load_id").sort("load_id")


def slopes(season: TracedSeason, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Within-visit slopes on traced settings over the true one, setting by setting: (as traced, corrected)."""
    rows = pairs(season)
    visit = rows.select(pl.struct("field_id", "day", "machine_id").rank("dense") - 1).to_series().to_numpy().astype(int)

    def matrix(end: str) -> np.ndarray:
        return np.column_stack([rows[n + end].cast(pl.Float64).fill_null(np.nan).to_numpy() for n in season.settings])

    true, traced = matrix(""), matrix("_found")
    has = np.isfinite(true) & np.isfinite(traced)
    true, traced = np.where(has, true, 0.0), np.where(has, traced, 0.0)

    def within(x: np.ndarray) -> np.ndarray:
        count = np.maximum(np.column_stack([np.bincount(visit, h) for h in has.T]), 1)
        means = np.column_stack([np.bincount(visit, c) for c in (x * has).T]) / count
        return np.where(has, x - means[visit], 0.0)

    x, t = within(traced), within(true)
    scale = np.sqrt((t**2).sum(axis=0) / has.sum(axis=0))
    stays = lag1_autocorrelation(traced, has, visit, rows["weighed_at"].dt.timestamp("us").to_numpy() * 1.0)
    believed = reliability(rows, stays, [""] * stays.size, np.ones(stays.size))
    out = []
    for used in (x, believed * x):
        found = []
        for j in range(x.shape[1]):
            z = SLOPE * t[:, j] / scale[j] + rng.normal(0, NOISE_SD, len(t))
            found.append(float((used[:, j] * z).sum() / (used[:, j] ** 2).sum()) * scale[j] / SLOPE)
        out.append(np.array(found))
    return out[0], out[1]


@pytest.mark.slow
def test_uncorrected_effects_shrink_and_corrected_ones_do_not(monkeypatch):
    rng = np.random.default_rng(7)
    own = load_shares
    means: dict[str, dict[str, float]] = {}
    for name, signal, ids, machines, _ in HARD:
        scenario = Scenario(signal=signal, ticket_ids=ids, machines_a_field=machines)
        found: dict[str, list[np.ndarray]] = {"likeliest": [], "smeared": [], "corrected": []}
        for seed in (501, 502, 503):
            for how, shares in (("likeliest", likeliest(own)), ("smeared", own)):
                monkeypatch.setattr(trace, "load_shares", shares)
                as_traced, corrected = slopes(trace_plan(Plan(6, 6, seed, scenario=scenario)), rng)
                found[how].append(as_traced)
                if how == "smeared":
                    found["corrected"].append(corrected)
        means[name] = {how: float(np.mean(np.concatenate(values))) for how, values in found.items()}
    head = ["season", "likeliest trace, uncorrected", "smeared shares", "smeared and corrected"]
    rows = [
        [name, *(f"{mean[how]:.3f}" for how in ("likeliest", "smeared", "corrected"))] for name, mean in means.items()
    ]
    write_figures(VALIDATION, "measurement error", markdown_table(head, rows))
    for name, _, _, _, (low, high) in HARD:
        mean = means[name]
        assert low < mean["corrected"] < high
        assert abs(mean["corrected"] - 1) <= abs(mean["likeliest"] - 1) + 0.01
