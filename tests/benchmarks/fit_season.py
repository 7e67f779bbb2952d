"""What the whole fit of a season costs, and what one more shift costs once its weeks are kept.

    python tests/benchmarks/fit_season.py            a season of some 100,000 loads, dirt, from facts to coefficients

The last figures are in RESULTS.md beside this file.
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
MACHINES, DAYS = 165, 60


def measured(machines: int, days: int, folder: Path) -> dict[str, float]:
    """Fit a season with nothing kept, then after its last shift with what the shift before left."""
    from tests.validation.fit_seasons import fit_season  # noqa: PLC0415
    from transforms.config.settings_catalogue import DIRT, load_catalogue  # noqa: PLC0415
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


def main() -> None:
    """Measure in a process of its own, so that peak memory is this fit's."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--one", action="store_true")
    asked.add_argument("--machines", type=int, default=MACHINES)
    asked.add_argument("--days", type=int, default=DAYS)
    args = asked.parse_args()
    if args.one:
        with tempfile.TemporaryDirectory() as folder:
            print(json.dumps(measured(args.machines, args.days, Path(folder))))
        return
    size = ["--machines", str(args.machines), "--days", str(args.days)]
    done = subprocess.run([sys.executable, __file__, "--one", *size], capture_output=True, text=True, check=True)
    for name, value in json.loads(done.stdout.splitlines()[-1]).items():
        print(f"{name:24s} {value:,.3f}")


if __name__ == "__main__":
    main()
