"""What the whole fit of a season costs, and what one more shift costs once its weeks are kept.

    python tests/benchmarks/fit_season.py            a season of some 100,000 loads, dirt, from facts to coefficients

The last figures stand in DEVELOPERS.md.
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
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
MACHINES, DAYS = 165, 60


def measured(machines: int, days: int, folder: Path) -> dict[str, float]:
    """Fit a season without and with kept weeks, then with one shift more."""
    from proofs.fit_seasons import fit_season  # noqa: PLC0415

    from transforms.catalogue import DIRT, load_catalogue  # noqa: PLC0415
    from transforms.model.fit import fit_response  # noqa: PLC0415
    from transforms.model.parts import ProductStore  # noqa: PLC0415

    catalogue = load_catalogue()
    facts = fit_season(1, "sieving", catalogue, machines=machines, days=days).facts
    before = facts.filter(pl.col("shift_date") < pl.col("shift_date").max())
    made = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    started = time.perf_counter()
    full = fit_response(facts, DIRT, catalogue, 0.1)
    whole = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    earlier = fit_response(before, DIRT, catalogue, 0.1, ProductStore(folder))
    assert full is not None
    assert earlier is not None
    started = time.perf_counter()
    kept = fit_response(facts, DIRT, catalogue, 0.1, ProductStore(folder))
    with_weeks = time.perf_counter() - started
    assert kept is not None
    started = time.perf_counter()
    warm = fit_response(
        facts, DIRT, catalogue, 0.1, ProductStore(folder), start=(earlier.reml.variances, earlier.reml.residual)
    )
    with_both = time.perf_counter() - started
    assert warm is not None
    se = np.sqrt(np.diag(full.reml.cov_core))
    gap = np.abs(warm.reml.coef[: full.width] - full.reml.coef[: full.width]) / se
    return {
        "loads": facts.height, "columns": full.reml.coef.size, "whole_s": whole, "with_weeks_s": with_weeks,
        "with_weeks_and_start_s": with_both, "same_bits": float(np.array_equal(kept.reml.coef, full.reml.coef)),
        "largest_gap_se": float(gap.max()), "made_mb": made, "peak_mb": peak,
        "kept_mb": sum(p.stat().st_size for p in folder.glob("*.npz")) / 1e6,
    }  # fmt: skip


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
