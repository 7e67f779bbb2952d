"""Slow proof: do the moves advised truly help, and does a season that follows them truly cost less?

`pytest -m slow tests/validation/test_closed_loop.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=4` makes a quick run that only prints them.
"""

import os

import numpy as np
import polars as pl
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.closed_loop import ADVISERS, closed_loop
from tests.validation.fit_seasons import MECHANICS
from tests.validation.processes import processes
from transforms.arrays import to_float
from transforms.config.settings_catalogue import load_catalogue

MACHINES, DAYS = 12, 30
PAGE_SEASONS = 20
SEEDS = range(9000, 9000 + int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS)))


def season(seed: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """One season under every way of advising: cost per tonne by adviser, gains of each machine, kept promises."""
    catalogue, mechanic = load_catalogue(), list(MECHANICS)[seed % len(MECHANICS)]
    costs, gains, kept = [], [], []
    for adviser in ADVISERS:
        cost, judged, promises = closed_loop(seed, mechanic, adviser, catalogue, MACHINES, DAYS)
        costs.append({"seed": seed, "mechanic": mechanic, "adviser": adviser, "cost": cost})
        gains.append(judged)
        kept.append(promises)
    return (
        pl.DataFrame(costs),
        pl.concat([g for g in gains if g.height], how="diagonal_relaxed"),
        pl.concat([p for p in kept if p.height], how="diagonal_relaxed"),
    )


def calibration_slope(stated: pl.DataFrame) -> float:
    """Return b of P(move saves) = Phi(b Phi^-1(stated probability)) by maximum likelihood: 1 if probabilities hold."""
    z = norm.ppf(stated["probability_better"].clip(0.001, 0.999).to_numpy())
    sign = np.where(stated["true_gain_per_t"].to_numpy() > 0, 1.0, -1.0)
    return float(minimize_scalar(lambda b: -norm.logcdf(sign * b * z).sum(), bounds=(0.0, 5.0), method="bounded").x)


def promise_rows(kept: pl.DataFrame) -> list[list[str]]:
    """Return the rows of the table of promises: first and later advice, moves and moves to try."""
    half, out = DAYS // 2, []
    for label, days in (("first advice", pl.col("day") == half), ("later days", pl.col("day") > half)):
        for verdict in ("move", "try"):
            rows = kept.filter(days, pl.col("verdict") == verdict)
            if rows.height:
                promised, true = (to_float(rows[c].mean()) for c in ("gain_per_t", "true_gain_per_t"))
                out.append(
                    [
                        f"{label}, {verdict}",
                        f"{rows.height}",
                        f"{to_float(rows['probability_better'].mean()):.3f}",
                        f"{to_float((rows['true_gain_per_t'] > 0).mean()):.3f}",
                        f"{calibration_slope(rows):.2f}",
                        f"{promised:.3f}",
                        f"{true:.3f}",
                        f"{promised / true:.2f}",
                    ]
                )
    return out


def _row(adviser: str, rows: pl.DataFrame, best: float, mine: pl.DataFrame) -> list[str]:
    moves, gain = rows["moves"].sum(), to_float(rows["gain"].mean())
    mean, low, high = (to_float(v) for v in (mine["saved"].mean(), mine["saved"].min(), mine["saved"].max()))
    return [
        adviser,
        f"{moves / rows.height:.2f}",
        f"{rows['helping'].sum() / max(moves, 1):.3f}",
        f"{gain:+.3f}",
        f"{gain / best:+.2f}",
        f"{mean:+.3f} ({low:+.3f} to {high:+.3f})",
        f"{(mine['saved'] > 0).sum()} of {mine.height}",
    ]


def table_rows(gains: pl.DataFrame, saved: pl.DataFrame, best: float) -> list[list[str]]:
    """Return the rows of the table of RESULTS.md."""
    first, out = gains.filter(pl.col("day") == DAYS // 2), []
    for adviser in ADVISERS:
        rows, mine = first.filter(pl.col("adviser") == adviser), saved.filter(pl.col("adviser") == adviser)
        if rows.height:
            out.append(_row(adviser, rows, best, mine))
    later = gains.filter((pl.col("adviser") == "taretrace") & (pl.col("day") > DAYS // 2))
    own = saved.filter(pl.col("adviser") == "taretrace")
    return [*out, _row("taretrace, later days", later, to_float(later["best"].mean()), own)]


def report(costs: pl.DataFrame, gains: pl.DataFrame, kept: pl.DataFrame) -> pl.DataFrame:
    """Write the figures of RESULTS.md; return cost saved by seed and adviser."""
    without = costs.filter(pl.col("adviser") == "no advice").select("seed", without="cost")
    saved = costs.join(without, on="seed").with_columns((pl.col("without") - pl.col("cost")).alias("saved"))
    ours = gains.filter((pl.col("adviser") == "taretrace") & (pl.col("day") == DAYS // 2))
    best = to_float(ours["best"].mean())
    by_mechanic = "; ".join(
        f"{mechanic} {rows['gain'].mean() / rows['best'].mean():.2f}, {rows['helping'].sum() / rows['moves'].sum():.3f}"
        for (mechanic,), rows in ours.group_by("mechanic", maintain_order=True)
    )
    head = [
        "advice",
        "moves per machine",
        "truly help",
        "true gain per tonne",
        "of the best possible",
        "cost saved per tonne, second half",
        "seasons that cost less",
    ]
    sentence = (
        f"Cost without advice {to_float(without['without'].mean()):.2f} a tonne; best possible gain of a shift's moves"
        f" {best:.3f}. By mechanic, share of the best possible gain and of moves that help: {by_mechanic}."
    )
    promises = ["advice", "moves", "stated to save", "truly save", "probit slope", "promised", "true gain", "ratio"]
    lines = [
        *markdown_table(head, table_rows(gains, saved, best)),
        "",
        sentence,
        "",
        *markdown_table(promises, promise_rows(kept)),
    ]
    measured = f"{len(SEEDS)} seasons of {MACHINES} machines and {DAYS} days"
    write_figures(VALIDATION, "closed loop", lines, measured, only_print=len(SEEDS) != PAGE_SEASONS)
    return saved


@pytest.mark.slow
def test_following_the_advice_truly_pays():
    with processes() as pool:
        done = list(pool.map(season, SEEDS))
    costs, gains, kept = (pl.concat(frames, how="diagonal_relaxed") for frames in zip(*done, strict=True))
    saved = report(costs, gains, kept)
    ours = gains.filter((pl.col("adviser") == "taretrace") & (pl.col("day") == DAYS // 2))
    assert ours["helping"].sum() >= 0.9 * ours["moves"].sum()
    assert ours["gain"].mean() >= 0.78 * ours["best"].mean()
    moves = kept.filter(pl.col("verdict") == "move")
    for days, highest in ((pl.col("day") == DAYS // 2, 1.2), (pl.col("day") > DAYS // 2, 1.4)):
        rows = moves.filter(days)
        assert (rows["true_gain_per_t"] > 0).mean() >= 0.88
        assert 0.8 <= calibration_slope(rows) <= 1.25
        assert rows["gain_per_t"].mean() <= highest * rows["true_gain_per_t"].mean()
    mine = saved.filter(pl.col("adviser") == "taretrace")
    assert (mine["saved"] > 0).all()
    for naive in ("copy the cleanest", "raw correlations"):
        assert saved.filter(pl.col("adviser") == naive)["saved"].mean() < mine["saved"].mean()
