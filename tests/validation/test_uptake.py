"""Slow proof: is the uptake of advised moves classified by what operators did?

`pytest -m slow tests/validation/test_uptake.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=2` makes a quick run that only prints them. A run takes a minute.
"""

import os

import polars as pl
import pytest

from tests.support.invented_uptake import invent
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from transforms.outcome.uptake import CODES, KEY, uptake

PAGE_SEASONS = 20
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))


def judged(seed: int) -> pl.DataFrame:
    """Return code and truth of the moves of one invented season."""
    season = invent(seed)
    truth = season.moves.select(*KEY, "truth", "true_share")
    return (
        uptake(season.moves, season.bins, season.hours).join(truth, on=KEY).with_columns(pl.lit(seed).alias("season"))
    )


@pytest.mark.slow
def test_at_least_95_of_100_moves_with_a_log_are_classified_right():
    table = pl.concat([judged(seed) for seed in range(100, 100 + SEASONS)])
    right = table.select(pl.col("uptake_code") == pl.col("truth"))["uptake_code"]
    counts = table.group_by("truth", "uptake_code").len()
    found = {(t, u): n for t, u, n in counts.iter_rows()}
    rows = [["truly " + t, *(str(found.get((t, u), 0)) for u in CODES)] for t in CODES]
    error = table.select((pl.col("made_share") - pl.col("true_share")).abs().mean()).item()
    by_season = table.group_by("season").agg((pl.col("uptake_code") == pl.col("truth")).mean())["uptake_code"]
    share, worst = float(right.to_numpy().mean()), float(by_season.to_numpy().min())
    text = (
        f"{share:.3f} of {table.height} moves are classified right, {worst:.3f} in the worst season. "
        f"The share of the step is off by {error:.3f} on average."
    )
    write_figures(
        VALIDATION,
        "uptake of moves",
        [*markdown_table(["", *CODES], rows), "", text],
        f"{SEASONS} seasons",
        only_print=SEASONS < PAGE_SEASONS,
    )
    assert share >= 0.95
    for code in CODES:
        assert found.get((code, code), 0) / sum(found.get((code, u), 0) for u in CODES) >= 0.85, code
