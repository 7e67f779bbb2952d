"""Trace grades against truth on three generators of haulage: the demo's, crossing departures, and heaps."""

from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.hauled_season import haul_season
from tests.validation.other_haulage import CROSSING, PILED, Haulage
from tests.validation.traced import grade_again, overlap, trace_plan
from transforms.arrays import to_float
from transforms.demo.scenario import Plan, Scenario
from transforms.trace.clock_use import latest_clocks
from transforms.trace.field_trace import trace_field
from transforms.trace.grade_evidence import grade_evidence, sampling_step
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import lag_samples

SEEDS = (501, 502, 503)
SMALLEST_CLASS = 100


def hauled(kind: Haulage, seed: int) -> pl.DataFrame:
    """Grade, kind and overlap of every load of a season of other haulage; `is_crossed` if weighed out of order."""
    season = haul_season(kind, seed)
    learnt = LagModel(pl.concat([lag_samples(w) for w in season.works]))
    clocks = [
        {s.shift_date: latest_clocks(learnt.by_day, s.shift_date).of_field(w.field_id) for s in w.stretches}
        for w in season.works
    ]
    found = [trace_field(w, c) for w, c in zip(season.works, clocks, strict=True)]
    step = sampling_step(sum(bool(w.stretches) for w in season.works))
    drawn = pl.concat([grade_evidence(w, c, step) for w, c in zip(season.works, clocks, strict=True)])
    loads = pl.concat([w.loads for w in season.works])
    grade = grade_again(pl.concat([f.grade for f in found]), drawn, loads)
    hit = overlap(pl.concat([f.load_trace for f in found]), season.truth)
    known = season.kinds.select(
        "load_id", "is_crossed", pl.format("{} {}", pl.lit(seed), "field_id").alias("season_field")
    )
    return hit.join(grade, on="load_id").join(known, on="load_id")


def demo(seed: int) -> pl.DataFrame:
    """The same of a season of the demo's haulage."""
    season = trace_plan(Plan(6, 6, seed, scenario=Scenario(machines_a_field=1 + seed % 2, heaps=0.1)))
    graded = overlap(season.load_trace, season.truth).join(season.grade, on="load_id")
    field = season.loads.select("load_id", pl.format("{} {}", pl.lit(seed), "field_id").alias("season_field"))
    return graded.join(field, on="load_id").with_columns(pl.lit(None, dtype=pl.Boolean).alias("is_crossed"))


def seasons() -> Iterator[tuple[str, pl.DataFrame]]:
    for name, kind in (("crossing departures", CROSSING), ("heaps", PILED)):
        yield name, pl.concat([hauled(kind, seed) for seed in SEEDS])
    yield "demo", pl.concat([demo(seed) for seed in SEEDS])


def table_row(name: str, label: str, part: pl.DataFrame) -> list[str]:
    stated, true = (to_float(part[c].mean()) for c in ("trace_quality", "overlap"))
    off = pl.col("trace_quality") - pl.col("overlap") - (stated - true)
    of_field = part.group_by("season_field", maintain_order=True).agg(off.sum().alias("off"))["off"].to_numpy()
    error = float(np.sqrt((of_field**2).sum())) / part.height
    return [name, label, f"{part.height}", f"{stated:.2f}", f"{true:.2f}", f"{stated - true:+.3f}", f"{error:.3f}"]


@pytest.mark.slow
def test_grades_follow_the_truth_on_three_generators_of_haulage():
    rows, off = [], []
    for name, graded in seasons():
        heap = pl.col("kind_code") == "heap"
        direct = graded.filter(~heap).with_columns((pl.col("trace_quality") * 10).floor().clip(0, 9).alias("tenth"))
        for (tenth,), part in sorted(direct.group_by("tenth"), key=lambda p: p[0]):
            if part.height >= SMALLEST_CLASS:
                rows.append(table_row(name, f"{tenth / 10:.1f} to {tenth / 10 + 0.1:.1f}", part))
                off.append(abs(float(rows[-1][-2])))
        for label, part in (
            ("all direct", direct),
            ("weighed in order", direct.filter(~pl.col("is_crossed"))),
            ("weighed out of order", direct.filter("is_crossed")),
            ("from heaps", graded.filter(heap)),
        ):
            if part.height >= SMALLEST_CLASS:
                rows.append(table_row(name, label, part))
    head = ["haulage", "grade", "loads", "stated", "true", "difference", "standard error"]
    write_figures(VALIDATION, "grades by haulage", markdown_table(head, rows))
    assert max(off) < 0.1
    assert sum(off) / len(off) < 0.03
