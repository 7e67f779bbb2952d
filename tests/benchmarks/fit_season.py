"""Cost of the whole fit of a season, and of one more shift with cached weekly cross-products.

python tests/benchmarks/fit_season.py            seasons of some 48,000 and 100,000 loads, dirt, from facts to
                                                 coefficients; writes the figures of RESULTS.md
python tests/benchmarks/fit_season.py --machines 12 --days 30        one season of another size; only prints
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from tests.support.results_page import BENCHMARKS, markdown_table, write_figures

SIZES = ((80, 60), (165, 60))
"""Machines and days."""


def measured(machines: int, days: int, folder: Path) -> dict[str, float]:
    """Fit a season with nothing kept, then after its last shift with what the shift before left."""
    from tests.validation.fit_seasons import fit_season  # noqa: PLC0415
    from transforms.config.response_catalogue import DIRT  # noqa: PLC0415
    from transforms.config.settings_catalogue import load_catalogue  # noqa: PLC0415
    from transforms.jobs.product_cache import ProductCache  # noqa: PLC0415
    from transforms.model.estimate import fit_response  # noqa: PLC0415
    from transforms.model.warm_start import fit_from_warm_start  # noqa: PLC0415

    catalogue = load_catalogue()
    facts = fit_season(1, "sieving", catalogue, machines=machines, days=days).facts
    before = facts.filter(pl.col("shift_date") < pl.col("shift_date").max())
    made = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    started = time.perf_counter()
    full = fit_from_warm_start(facts, DIRT, catalogue, 0.1)
    whole = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    fit_from_warm_start(before, DIRT, catalogue, 0.1, ProductCache(folder))
    started = time.perf_counter()
    kept = fit_from_warm_start(facts, DIRT, catalogue, 0.1, ProductCache(folder))
    one_more = time.perf_counter() - started
    started = time.perf_counter()
    cold = fit_response(facts, DIRT, catalogue, 0.1)
    from_nothing = time.perf_counter() - started
    assert full is not None
    assert kept is not None
    assert cold is not None
    gap = np.abs(cold.reml.coef[: full.width] - full.reml.coef[: full.width]) / np.sqrt(np.diag(full.reml.cov_core))
    return {
        "loads": facts.height,
        "columns": full.reml.coef.size,
        "whole_s": whole,
        "one_more_shift_s": one_more,
        "one_more_of_whole": one_more / whole,
        "from_nothing_s": from_nothing,
        "same_bits": float(np.array_equal(kept.reml.coef, full.reml.coef)),
        "largest_gap_to_cold_se": float(gap.max()),
        "made_mb": made,
        "peak_mb": peak,
        "kept_mb": sum(p.stat().st_size for p in folder.glob("*.npz")) / 1e6,
    }


def in_process(machines: int, days: int) -> dict[str, float]:
    """Measure in a process of its own, so that peak memory is this fit's."""
    words = [sys.executable, __file__, "--one", "--machines", str(machines), "--days", str(days)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    found = dict(json.loads(done.stdout.splitlines()[-1]))
    print(found, flush=True)
    return found


def table_row(r: dict[str, float], machines: int, days: int) -> list[str]:
    """Return a row of the table of RESULTS.md."""
    return [
        f"{r['loads']:,.0f} (`--machines {machines} --days {days}`)",
        f"{r['columns']:,.0f}",
        f"{r['whole_s']:.1f} s",
        f"{r['one_more_shift_s']:.1f} s",
        f"{100 * r['one_more_of_whole']:.0f} %",
        f"{r['peak_mb'] / 1024:.1f} GB",
    ]


def main() -> None:
    """Measure the sizes that the arguments ask for."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--one", action="store_true")
    asked.add_argument("--machines", type=int)
    asked.add_argument("--days", type=int)
    args = asked.parse_args()
    machines, days = args.machines or SIZES[-1][0], args.days or SIZES[-1][1]
    if args.one:
        with tempfile.TemporaryDirectory() as folder:
            print(json.dumps(measured(machines, days, Path(folder))))
        return
    sizes = ((machines, days),) if args.machines or args.days else SIZES
    found = [in_process(*size) for size in sizes]
    head = ["loads", "columns", "whole, nothing cached", "one more shift", "relative to the whole", "peak memory"]
    from_scratch = " and ".join(f"{r['from_nothing_s']:.1f}" for r in found)
    gap, same = max(r["largest_gap_to_cold_se"] for r in found), all(r["same_bits"] for r in found)
    sentence = (
        f"Fitted once from scratch: {from_scratch} s; no coefficient differs by more than {gap:.3f} of its standard"
        f" error. One more shift {'ends' if same else 'does not end'} in the same bits as the whole."
    )
    rows = [table_row(r, *size) for r, size in zip(found, sizes, strict=True)]
    lines = [*markdown_table(head, rows), "", sentence]
    write_figures(BENCHMARKS, "whole fit of a season", lines, only_print=sizes != SIZES)


if __name__ == "__main__":
    main()
