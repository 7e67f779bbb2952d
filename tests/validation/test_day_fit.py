"""Slow proof: does advice after a shift, from a fit by day, agree with advice from an exact fit to the same data?

`pytest -m slow tests/validation/test_day_fit.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SHIFTS=4` makes a quick run that only prints them.

A season is delivered day by day, with tares that are late or corrected. After each shift all is read and traced, then
fitted twice: by day, from the variances of the night before, and exactly; the exact fit is that of the next night. Both
fits advise. Compared are all moves of one setting that advice considers: their change of dirt and their gain, in
standard deviations of their draws, and their probability of saving. As these are draws, advice is also computed from
the exact fit with another seed: that is the noise of the figures themselves.
"""

import datetime as dt
import os
import time
from collections.abc import Callable
from typing import Any
from unittest.mock import patch

import polars as pl
import pytest

from flows import stages
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.seasons import QUIET, ingest
from tests.validation.soak_season import deliveries
from transforms.advice import advice_rows
from transforms.advice.moves import AdvisedMove, allowed_steps, choose_moves, predict_outcome
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import Workspace
from transforms.model.effects import effects

PAGE_SHIFTS = 30
SHIFTS = int(os.environ.get("TARETRACE_SHIFTS", PAGE_SHIFTS))
MACHINES, FIRST = 4, 8
"""Machines, and shifts before the first one compared."""
MOVE = ["machine_id", "setting", "steps"]
CELL = ["setting", "wetness_class", "soil_class"]


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    """Return a result and its processor time, s."""
    started = time.process_time()
    return work(), time.process_time() - started


def moves_of(workspace: Workspace, fits: stages.Fits) -> pl.DataFrame:
    """Return every move of one setting that advice considers, with its draws' moments, and if it is advised first."""
    rows: list[dict[str, Any]] = []

    def recorded(situation: Any, drawn: Any, catalogue: Any, prices: Any, rules: Any, relied: Any = None) -> Any:
        before = predict_outcome(situation, {}, drawn, prices, catalogue)
        chosen = choose_moves(situation, drawn, catalogue, prices, rules, relied)
        for name in (n for n in drawn.settings if drawn.can_weigh(catalogue[n])):
            for k in allowed_steps(name, situation, catalogue, rules.max_steps):
                after = predict_outcome(situation, {name: k}, drawn, prices, catalogue)
                move = AdvisedMove(name, k, before, after)
                rows.append(
                    {
                        "machine_id": situation.machine_id,
                        "setting": name,
                        "steps": k,
                        "gain": float(move.gain.mean()),
                        "gain_sd": float(move.gain.std()),
                        "dirt": float(move.dirt.mean()),
                        "dirt_sd": float(move.dirt.std()),
                        "probability": move.probability,
                        "advised": bool(chosen[0]) and (chosen[0][0].setting, chosen[0][0].steps) == (name, k),
                    }
                )
        return chosen

    with patch.object(advice_rows, "choose_moves", recorded):
        stages.advise_machines(workspace, fits, QUIET)
    return pl.DataFrame(rows)


def differences(found: pl.DataFrame, exact: pl.DataFrame) -> pl.DataFrame:
    """Return the absolute differences of the moves' effects, in standard deviations, and of their probabilities."""
    both = found.join(exact, on=MOVE, suffix="_exact", maintain_order="left")
    return both.select(
        ((pl.col("gain") - pl.col("gain_exact")) / pl.col("gain_sd_exact")).abs().alias("gain"),
        ((pl.col("dirt") - pl.col("dirt_exact")) / pl.col("dirt_sd_exact")).abs().alias("dirt"),
        (pl.col("probability") - pl.col("probability_exact")).abs().alias("probability"),
        (pl.col("advised") | pl.col("advised_exact")).alias("advised"),
        (pl.col("advised") == pl.col("advised_exact")).alias("same"),
    )


def cell_differences(day: stages.Fits, exact: stages.Fits, workspace: Workspace) -> pl.DataFrame:
    """Return the absolute differences of the cells of `effect` of dirt, in standard errors, and of their widths."""
    tables = [effects(f.by_response[DIRT], workspace.season.catalogue, 30) for f in (day, exact)]
    log = [
        t.drop_nulls("change_pct").select(
            *CELL, *((pl.col(c) / 100).log1p().alias(c) for c in ("change_pct", "lo95", "hi95"))
        )
        for t in tables
    ]
    both = log[0].join(log[1], on=CELL, suffix="_exact", nulls_equal=True, maintain_order="left")
    width = (pl.col("hi95_exact") - pl.col("lo95_exact")) / 3.92
    return both.select(
        ((pl.col("change_pct") - pl.col("change_pct_exact")) / width).abs().alias("effect"),
        ((pl.col("hi95") - pl.col("lo95")) / 3.92 / width - 1).abs().alias("width"),
    )


def run_shifts(workspace: Workspace, drop: Callable[[int], object]) -> dict[str, pl.DataFrame]:
    """Run the shifts; return the differences of moves, of draws alone and of cells, and a row of times per shift."""
    for day in range(FIRST):
        drop(day)
    ingest(workspace)
    stages.fit_responses(workspace, QUIET, night_fits="store")
    out: dict[str, list[pl.DataFrame]] = {"moves": [], "seeds": [], "cells": [], "times": []}
    for shift in range(FIRST, FIRST + SHIFTS):
        drop(shift)
        ingest(workspace)
        day, day_s = timed(lambda: stages.fit_responses(workspace, QUIET, night_fits="use"))
        by_day = moves_of(workspace, day)
        exact, exact_s = timed(lambda: stages.fit_responses(workspace, QUIET, night_fits="store"))
        exactly = moves_of(workspace, exact)
        with patch("flows.stages.advise.ADVICE_SEED", 1), patch("transforms.advice.shrinkage.SPREAD_SEED", 2):
            out["seeds"].append(differences(moves_of(workspace, exact), exactly))
        out["moves"].append(differences(by_day, exactly))
        out["cells"].append(cell_differences(day, exact, workspace))
        quick = [f for f in day.fitted if f.kept_variances is not None]
        row = {"day_s": day_s, "exact_s": exact_s, "quick": len(quick), "fits": len(day.fitted)}
        out["times"].append(pl.DataFrame([{"shift": shift, **row}]))
        print(dt.datetime.now(dt.UTC).time(), row, out["moves"][-1].max().row(0), flush=True)
    return {name: pl.concat(frames) for name, frames in out.items()}


@pytest.mark.slow
def test_advice_from_fits_by_day_agrees_with_exact_fits(tmp_path):
    season = deliveries(tmp_path / "made", machines=MACHINES, days=FIRST + SHIFTS, seed=17)
    found = run_shifts(season.workspace, lambda day: season.drop(day, season.workspace.inbox))
    moves, seeds, cells, times = (found[n] for n in ("moves", "seeds", "cells", "times"))
    advised = moves.filter("advised")
    rows = [
        _row("change of dirt of a move, standard deviations", moves["dirt"], seeds["dirt"]),
        _row("gain of a move, standard deviations", moves["gain"], seeds["gain"]),
        _row("probability that a move saves", moves["probability"], seeds["probability"]),
        _row("the same, of moves advised first", advised["probability"], seeds.filter("advised")["probability"]),
        _row("effect on dirt by wetness and soil, standard errors", cells["effect"], None),
        _row("width of its interval, relative", cells["width"], None),
    ]
    same, ratio = advised["same"].mean(), times["day_s"].sum() / times["exact_s"].sum()
    quick, fits = times["quick"].sum(), times["fits"].sum()
    text = (
        f"{quick} of {fits} fits were by day; the others had no variances that served. {100 * same:.0f} % of "
        f"{advised.height} moves advised first by either fit are the same. Fits by day, with their result tables, took "
        f"{ratio:.2f} of the processor time of the exact ones, which start warm and find the last week summed."
    )
    lines = [
        *markdown_table(["difference of fits by day from exact ones", "n", "largest", "95 %", "seeds alone"], rows),
        "",
        text,
    ]
    measured = f"{SHIFTS} shifts of {MACHINES} machines"
    write_figures(VALIDATION, "fits by day", lines, measured, only_print=SHIFTS < PAGE_SHIFTS)
    assert quick > 0.5 * fits
    assert cells["effect"].max() < 0.1
    assert moves["probability"].quantile(0.95) < 0.02


def _row(name: str, found: pl.Series, seeds: pl.Series | None) -> list[str]:
    noise = "" if seeds is None else f"{seeds.max():.3f} / {seeds.quantile(0.95):.3f}"
    return [name, str(found.len()), f"{found.max():.3f}", f"{found.quantile(0.95):.3f}", noise]
