"""Time to fit six crossed factors and some 110 fixed effects, beside lme4 and mgcv if R is installed.

    python tests/benchmarks/fit_speed.py                 50,000 to 1,000,000 loads, ours alone; writes RESULTS.md
    python tests/benchmarks/fit_speed.py --against-r     200,000 loads, ours and R's in the same run (half an hour);
                                                         writes RESULTS.md, with --loads N only prints

Each size runs in a process of its own: seconds, peak memory, deviance.
"""

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.support.results_page import BENCHMARKS, markdown_table, write_figures

if TYPE_CHECKING:
    from transforms.mixed_model.cross_products import CrossProducts
    from transforms.mixed_model.reml import RemlFit

FIXED = 110
SEED = 20_251_111
CHUNK = 50_000
MACHINES = 92
SIZES = (50_000, 100_000, 200_000, 1_000_000)
LOADS_AGAINST_R = 200_000


def chunks(n: int) -> list[slice]:
    """Return the rows of each chunk of n loads."""
    return [slice(start, min(start + CHUNK, n)) for start in range(0, n, CHUNK)]


def loads(n: int) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Return z, X of 110 columns, and the levels of six crossed factors of a fleet of 92 machines.

    A machine works a field for a day or two and goes on; now and then another helps; 36 loads a machine and day. More
    loads are more days: 50,000 are 15 days, 200,000 a season of 60, a million five seasons.
    """
    rng = np.random.default_rng(SEED)
    machine_days = n // 36
    days = -(-machine_days // MACHINES)
    of_day = np.arange(machine_days) % days
    machine = np.arange(machine_days) // days
    operator = 2 * machine + (of_day // 7) % 2
    load = np.arange(n) * machine_days // n
    helps = rng.random(n) < 0.1
    field = (machine[load] * days + of_day[load]) * 2 + (rng.random(n) < 0.5) - 2 * helps
    site = rng.integers(0, 6, n)
    levels = {
        "field": np.maximum(field, 0),
        "machine_day": load,
        "machine": machine[load],
        "operator": operator[load],
        "site_day": site * days + of_day[load],
        "generation": machine[load] % 4,
    }
    levels = {k: np.unique(v, return_inverse=True)[1] for k, v in levels.items()}
    X = np.ones((n, FIXED), dtype=np.float32)
    for rows in chunks(n):
        X[rows, 1:] = rng.standard_normal((rows.stop - rows.start, FIXED - 1), dtype=np.float32)
    beta = np.where(np.arange(FIXED) % 3 == 0, 0.02, 0.0)
    z = np.concatenate([X[rows].astype(np.float64) @ beta for rows in chunks(n)]) + rng.normal(0, 0.14, n)
    for name, sd in (
        ("field", 0.12),
        ("machine_day", 0.08),
        ("machine", 0.06),
        ("operator", 0.04),
        ("site_day", 0.05),
        ("generation", 0.1),
    ):
        z += rng.normal(0, sd, levels[name].max() + 1)[levels[name]]
    return z, X, levels


def part_products(z: np.ndarray, X: np.ndarray, levels: dict[str, np.ndarray]) -> list["CrossProducts"]:
    """Return the cross-products of each chunk of loads."""
    from transforms.mixed_model.cross_products import Factor, cross_products  # noqa: PLC0415

    parts = []
    for rows in chunks(z.size):
        factors = []
        for name, level in levels.items():
            labels, codes = np.unique(level[rows], return_inverse=True)
            factors.append(Factor(name, codes, labels.size, labels=np.char.zfill(labels.astype(str), 8)))
        parts.append(cross_products(z[rows], X[rows].astype(np.float64), [], factors))
    return parts


def fit_in_parts(z: np.ndarray, X: np.ndarray, levels: dict[str, np.ndarray]) -> "RemlFit":
    """Fit: cross-products in parts, join, variances."""
    from transforms.mixed_model.cross_products import sum_products  # noqa: PLC0415
    from transforms.mixed_model.reml import fit_products  # noqa: PLC0415

    return fit_products(sum_products(part_products(z, X, levels)))


def ours(n: int) -> dict[str, float]:
    """Fit in this process: cross-products in parts, join, variances; then again from the variances found."""
    from transforms.mixed_model.cross_products import sum_products  # noqa: PLC0415
    from transforms.mixed_model.reml import fit_products  # noqa: PLC0415

    z, X, levels = loads(n)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    started, started_cpu = time.perf_counter(), time.process_time()
    parts = part_products(z, X, levels)
    products = sum_products(parts)
    summed = time.perf_counter()
    fit = fit_products(products)
    done, cpu_s = time.perf_counter(), time.process_time() - started_cpu
    found = {"columns": fit.coef.size, "iterations": fit.iterations, "deviance": fit.deviance}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    start = (fit.variances, fit.residual)
    del fit, products
    # One more shift: its own part beside the stored rest, from the variances found.
    again = fit_products(sum_products(parts), start)
    return {
        "loads": n,
        **found,
        "sum_s": summed - started,
        "fit_s": done - summed,
        "all_s": done - started,
        "cpu_s": cpu_s,
        "refit_s": time.perf_counter() - done,
        "refit_deviance": again.deviance,
        "peak_mb": peak,
        "data_mb": before,
    }


R_SCRIPT = """
args <- commandArgs(TRUE); suppressMessages({library(lme4); library(mgcv); library(jsonlite); library(data.table)})
d <- fread(file.path(args[1], "loads.csv"), stringsAsFactors = FALSE)
groups <- c("field", "machine_day", "machine", "operator", "site_day", "generation")
for (g in groups) d[[g]] <- factor(d[[g]])
x <- setdiff(names(d), c("z", groups))
fixed <- paste("z ~", paste(x, collapse = " + "))
if (args[2] == "lme4") {
  took <- system.time(fit <- lmer(as.formula(paste(fixed, "+", paste0("(1|", groups, ")", collapse = " + "))), d,
                                  control = lmerControl(calc.derivs = FALSE)))
  out <- list(deviance = REMLcrit(fit))
} else {
  few <- c("machine", "operator", "site_day", "generation")
  took <- system.time(fit <- bam(as.formula(paste(fixed, "+", paste0("s(", few, ", bs = 're')", collapse = " + "))),
                                 data = d, discrete = TRUE, nthreads = 2))
  out <- list()
}
out$seconds <- took[["elapsed"]]; out$cpu_s <- took[["user.self"]] + took[["sys.self"]]
out$peak_mb <- sum(gc()[, 6])
out$versions <- paste0("R ", getRversion(), " (lme4 ", packageVersion("lme4"), ", mgcv ", packageVersion("mgcv"), ")")
cat(toJSON(out, auto_unbox = TRUE, digits = 10))
"""


def ours_with_few(n: int) -> dict[str, float]:
    """Return the time of our fit with the four small factors only, as mgcv is given: it cannot take the large ones."""
    from transforms.mixed_model.reml import Factor, fit_reml  # noqa: PLC0415

    z, X, levels = loads(n)
    few = [Factor(k, levels[k], int(levels[k].max()) + 1) for k in ("machine", "operator", "site_day", "generation")]
    started, started_cpu = time.perf_counter(), time.process_time()
    fit_reml(z, X.astype(np.float64), [], few)
    return {"all_s": time.perf_counter() - started, "cpu_s": time.process_time() - started_cpu}


def in_process(what: str, n: int) -> dict[str, float]:
    """Run one measurement in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--one", what, "--loads", str(n)], capture_output=True, text=True, check=True
    )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def against_r(n: int) -> None:
    """Write the times of taretrace, lme4 and mgcv on the same loads."""
    if shutil.which("Rscript") is None:
        print("Rscript is not installed: ours alone")
        return
    with tempfile.TemporaryDirectory() as folder:
        z, X, levels = loads(n)
        table = {"z": z, **{f"x{i}": X[:, i] for i in range(1, FIXED)}, **levels}
        pl.DataFrame(table).write_csv(Path(folder) / "loads.csv")
        del z, X, levels, table
        (Path(folder) / "fit.R").write_text(R_SCRIPT)
        mine, few = in_process("ours", n), in_process("few", n)
        found = {}
        for what in ("mgcv", "lme4"):
            done = subprocess.run(
                ["Rscript", str(Path(folder) / "fit.R"), folder, what], capture_output=True, text=True, check=True
            )
            found[what] = json.loads(done.stdout.splitlines()[-1])
            print(what, found[what], flush=True)
    lme4, bam = found["lme4"], found["mgcv"]
    gap = mine["deviance"] - lme4["deviance"]
    rows = [
        ["six factors", *_compared("lme4", mine, lme4)],
        ["the four small factors alone", *_compared("mgcv::bam(discrete = TRUE)", few, bam)],
    ]
    head = ["model", "peer", "its time", "ours", "ratio of times", "ratio of processor times"]
    sentence = (
        f"{lme4['versions']}, {n:,} loads; processor time in brackets. Peak memory {mine['peak_mb'] / 1024:.2f} GB,"
        f" that of lme4 {lme4['peak_mb'] / 1024:.1f} GB. The REML deviance of taretrace less that of lme4 is {gap:.5f}."
    )
    write_figures(
        BENCHMARKS, "engine beside R", [*markdown_table(head, rows), "", sentence], only_print=n != LOADS_AGAINST_R
    )


def _compared(name: str, mine: dict[str, float], peer: dict[str, float]) -> list[str]:
    """Return the cells of a comparison: peer, its time, ours, ratios of times and of processor times."""
    return [
        name,
        f"{peer['seconds']:.1f} s ({peer['cpu_s']:.1f} s)",
        f"{mine['all_s']:.1f} s ({mine['cpu_s']:.1f} s)",
        f"{peer['seconds'] / mine['all_s']:.0f}",
        f"{peer['cpu_s'] / mine['cpu_s']:.0f}",
    ]


def table_row(r: dict[str, float]) -> list[str]:
    """Return a row of the table of RESULTS.md."""
    return [
        f"{r['loads']:,.0f}",
        f"{r['loads'] / 36 / MACHINES:.0f}",
        f"{r['columns']:,.0f}",
        f"{r['sum_s']:.1f} s",
        f"{r['fit_s']:.1f} s",
        f"{r['all_s']:.1f} s",
        f"{r['refit_s']:.1f} s",
        f"{r['peak_mb'] / 1024:.2f} GB, {r['data_mb'] / 1024:.2f} GB of it the data",
    ]


def main() -> None:
    """Measure what the arguments ask for."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--one")
    asked.add_argument("--against-r", action="store_true")
    asked.add_argument("--loads", type=int, default=LOADS_AGAINST_R)
    args = asked.parse_args()
    if args.one:
        found = ours(args.loads) if args.one == "ours" else ours_with_few(args.loads)
        print(json.dumps(found, default=float))
    elif args.against_r:
        against_r(args.loads)
    else:
        rows = []
        for n in SIZES:
            rows.append(table_row(in_process("ours", n)))
            print(*rows[-1], sep=" | ", flush=True)
        head = ["loads", "days", "columns", "sums", "variances", "total"]
        head += ["repeated with one block changed, warm start", "peak memory"]
        write_figures(BENCHMARKS, "engine of the fit", markdown_table(head, rows))


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "2")
    main()
