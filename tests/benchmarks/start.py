"""What the program costs before and beside its work, today and at an earlier commit, in turns in one run.

    .venv/bin/python tests/benchmarks/start.py [COMMIT [SEASON_OF_IT SEASON_OF_TODAY]]

CPU and wall seconds of `taretrace --help`; wall seconds of a post-shift run with no new file on the demo season, whole
and by stage; medians. Each code runs on a workspace of its own making, made first where none is named.
"""

import json
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
EARLIER = "005d622"
RUNS = 3
PROGRAM = [sys.executable, "-c", "from flows.cli.app import main; main()"]
STAGE = re.compile(r"✓ (.+?) ([0-9.]+) s")


def call(code: Path, *words: str) -> tuple[float, float, str]:
    """Call the program of some code; return CPU seconds, wall seconds and what it said."""
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run([*PROGRAM, *words], cwd=code, capture_output=True, text=True, check=False)
    wall, after = time.perf_counter() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise RuntimeError(done.stderr[-2000:])
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall, done.stderr


def once(code: Path, season: Path) -> dict[str, float]:
    cpu, wall, _ = call(code, "--help")
    _, whole, reported = call(code, "post-shift", str(season))
    stages = {re.sub(r"\d[\d,]* ", "", name): float(seconds) for name, seconds in STAGE.findall(reported)}
    return {
        "help, CPU": cpu,
        "help, wall": wall,
        "post-shift, whole": whole,
        "post-shift, beside its stages": whole - sum(stages.values()),
        **stages,
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
                    seasons[name] = folder / name
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
    for key in dict.fromkeys([*medians["earlier"], *medians["today"]]):
        was, now = medians["earlier"].get(key), medians["today"].get(key)
        print(f"{key:48s} {was if was is None else round(was, 2)!s:>8} {now if now is None else round(now, 2)!s:>8}")
    print(json.dumps(medians))


if __name__ == "__main__":
    main()
