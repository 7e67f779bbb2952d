"""Processor time of fitting all responses of a demo season, beside that before topping, damage and parts of the loss.

    taretrace demo FOLDER
    git worktree add --detach BEFORE 97b08fa6
    python tests/benchmarks/fit_responses.py FOLDER --before BEFORE      writes the figures of RESULTS.md

97b08fa6 is the last commit that fits dirt, root loss and top tare alone. Both codes read the same facts, in processes
of their own, in turn: fits without anything cached, and the tables of their results, not checks and comparisons.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from tests.support.results_page import BENCHMARKS, markdown_table, write_figures
from transforms.config.response_catalogue import DIRT, RESPONSES, ROOT_LOSS, TOPS
from transforms.storage.warehouse import Warehouse

FORMER = (DIRT, ROOT_LOSS, TOPS)
MAX_RATIO = 1.5
FITS = """
import json, sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import polars as pl
from transforms.config.settings_catalogue import load_catalogue
from transforms.jobs.fit_jobs import FIT_TABLES, OF_DIRT
from transforms.model.warm_start import fit_from_warm_start
catalogue, out = load_catalogue(), {}
for response, path in json.loads(sys.argv[2]).items():
    facts, started = pl.read_parquet(path), time.process_time()
    fit = fit_from_warm_start(facts, response, catalogue, 0.1)
    if fit is not None:
        for name, table in FIT_TABLES.items():
            if name not in OF_DIRT or response == "dirt_tare_pct":
                table(fit, catalogue, 30)
    out[response] = time.process_time() - started
print(json.dumps(out))
"""
"""Program that runs in either checkout: fits responses and prints the processor seconds of each."""


def export_facts(workspace: Path, folder: Path) -> dict[str, str]:
    """Write the facts of each response to a file; return their paths by response.

    Args:
        workspace: a demo season that was run.
        folder: where the files are written.
    """
    paths: dict[str, str] = {}
    with Warehouse(workspace / "warehouse.duckdb") as warehouse:
        for table in dict.fromkeys(r.facts for r in RESPONSES.values()):
            warehouse.table(table).write_parquet(folder / f"{table}.parquet")
            paths |= {r.name: str(folder / f"{table}.parquet") for r in RESPONSES.values() if r.facts == table}
    return paths


def seconds(checkout: Path, facts: dict[str, str]) -> dict[str, float]:
    """Return the processor seconds of the fit and the tables of each response.

    Args:
        checkout: the code to run.
        facts: response -> file of its facts.
    """
    command = [sys.executable, "-c", FITS, str(checkout), json.dumps(facts)]
    environment = {"PATH": "/usr/bin:/bin", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    ran = subprocess.run(command, capture_output=True, text=True, check=True, cwd=checkout, env=environment)
    found: dict[str, float] = json.loads(ran.stdout)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--before", type=Path, required=True, help="checkout of 97b08fa6")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only-print", action="store_true")
    given = parser.parse_args()
    runs: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        facts = export_facts(given.workspace, Path(folder))
        for _ in range(given.runs):
            former = seconds(given.before, {r: facts[r] for r in FORMER})
            today = seconds(ROOT, facts)
            parts = {"before": former, "today, the same": {r: today[r] for r in FORMER}, "today, all": today}
            for name, found in parts.items():
                runs.setdefault(name, []).append(sum(found.values()))
    before, same, every = (median(runs[name]) for name in ("before", "today, the same", "today, all"))
    ratio = median(a / b for a, b in zip(runs["today, all"], runs["before"], strict=True))
    rows = [
        ["97b08fa6", f"{len(FORMER)}", f"{before:.1f}", "1"],
        ["today", f"{len(FORMER)}", f"{same:.1f}", f"{same / before:.2f}"],
        ["today", f"{len(RESPONSES)}", f"{every:.1f}", f"{ratio:.2f}"],
    ]
    verdict = "met" if ratio <= MAX_RATIO else "missed"
    lines = markdown_table(["code", "responses", "processor s", "relative to before"], rows)
    lines += ["", f"Aim: at most {MAX_RATIO} times the time before: {verdict}."]
    note = f"Processor time, medians of {given.runs} runs in turn"
    write_figures(BENCHMARKS, "fit of all responses", lines, note, only_print=given.only_print)


if __name__ == "__main__":
    main()
