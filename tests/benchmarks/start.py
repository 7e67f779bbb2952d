"""Cost of the program before and beside its work, today and at an earlier commit, alternating in one run.

    .venv/bin/python tests/benchmarks/start.py [COMMIT [SEASON_OF_IT SEASON_OF_TODAY]]

CPU and wall seconds of `taretrace --help`; wall seconds of a post-shift run with no new file on the demo season, whole
and by stage; medians. Each code runs on a workspace of its own making, made first where none is named. Only without
arguments are the figures of RESULTS.md written; else they are printed.
"""

import os
import re
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from tests.support.results_page import BENCHMARKS, markdown_table, write_figures

EARLIER = "005d622"
RUNS = 3
STAGE = re.compile(r"✓ (.+?) ([0-9.]+) s")
WHOLE = "total"
HELP = "`taretrace --help`, CPU"
HELP_WALL = "`taretrace --help`, wall"
BESIDE = "Prefect around the stages, its start with them"
RENAMED = {
    "Working out effects and curves": "Computing effects and curves",
    "Writing the setting guide's tables": "Computing the setting guide",
    "Working out topsoil wetness": "Computing topsoil wetness",
    "Working out how long loads keep": "Computing the storability of loads",
    "Weighing moves for the next shift": "Evaluating setting changes for the next shift",
}
"""Labels of stages at the earlier commit and today."""
CHANGES = {
    "Checking the fits": "each check of each fit is a separate job, on every processor",
    BESIDE: "the server starts first, in parallel with the program, which does not import it",
    "Computing effects and curves": "each table of each fit is a separate job",
    "Computing the setting guide": "guide and what-if in parallel; values that depend on a fit alone are computed once",
    "Comparing the fleet": "one job per response",
    HELP: "a command imports its code when it is called",
}
"""Changes between the earlier commit and today that explain a difference."""


def program(code: Path) -> list[str]:
    """Return the command line of the program of some code; at the earlier commit `flows.cli` is one module."""
    module = "flows.cli.app" if (code / "flows" / "cli" / "app.py").exists() else "flows.cli"
    return [sys.executable, "-c", f"from {module} import main; main()"]


def call(code: Path, *words: str) -> tuple[float, float, str]:
    """Call the program of some code; return CPU seconds, wall seconds and what it said."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run([*program(code), *words], cwd=code, capture_output=True, text=True, check=False)
    wall, after = time.perf_counter() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise RuntimeError(done.stderr[-2000:])
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall, done.stderr


def once(code: Path, season: Path) -> dict[str, float]:
    cpu, wall, _ = call(code, "--help")
    _, whole, reported = call(code, "post-shift", str(season))
    labelled = {re.sub(r"\d[\d,]* ", "", name): float(seconds) for name, seconds in STAGE.findall(reported)}
    stages = {RENAMED.get(label, label): seconds for label, seconds in labelled.items()}
    return {
        **stages,
        BESIDE: whole - sum(stages.values()),
        WHOLE: whole,
        HELP: cpu,
        HELP_WALL: wall,
    }


def main() -> None:
    commit = sys.argv[1] if len(sys.argv) > 1 else EARLIER
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        earlier = folder / "earlier"
        subprocess.run(["git", "worktree", "add", "-q", "--detach", str(earlier), commit], cwd=ROOT, check=True)
        try:
            codes = {"earlier": earlier, "today": ROOT}
            seasons = {name: Path(word) for name, word in zip(codes, sys.argv[2:4], strict=False)}
            for name, code in codes.items():
                if name not in seasons:
                    seasons[name] = folder / f"season-{name}"
                    call(code, "demo", str(seasons[name]))
            found: dict[str, list[dict[str, float]]] = {name: [] for name in codes}
            for _ in range(RUNS):
                for name, code in codes.items():
                    found[name].append(once(code, seasons[name]))
        finally:
            subprocess.run(["git", "worktree", "remove", "--force", str(earlier)], cwd=ROOT, check=True)
            shutil.rmtree(folder, ignore_errors=True)
            os.sync()
    medians = {n: {k: statistics.median(r[k] for r in runs) for k in runs[0]} for n, runs in found.items()}
    keys = dict.fromkeys([*medians["earlier"], *medians["today"]])
    rows = [[k, *(f"{m[k]:.2f}" if k in m else "" for m in medians.values()), CHANGES.get(k, "")] for k in keys]
    lines, quick = markdown_table(["what", "before", "after", "change"], rows), len(sys.argv) > 1
    measured = f"Before: commit {commit}; medians of {RUNS} runs, alternating; seconds"
    write_figures(BENCHMARKS, "start", lines, measured, only_print=quick)


if __name__ == "__main__":
    main()
