"""The benchmark table: each work beside a bare tool, measured alternately, one process each.

    poe bench                    all rows; writes RESULTS.md and overview.json
    poe bench bins "fit 200k"    these rows; the others keep their figures
    poe bench --compare          all rows; only prints, and fails if a row became more than 10 % slower

Rows that became more than 10 % slower than their stored figures are printed at the end. They are compared by processor
time, beside that of the bare tool in the same minutes, so other work on the machine disturbs them little.
"""

import argparse
import datetime as dt
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from flows import stages
from flows.runtime.progress import Reporter
from tests.benchmarks import fit_speed, intake
from tests.benchmarks.overview_rows import HEAD, BenchmarkRow, slower_rows
from tests.support.results_page import BENCHMARKS, commit, markdown_table, write_figures
from transforms.config.workspace import Workspace
from transforms.ingest.isolated_read import get_reader

STORED = Path(__file__).with_name("overview.json")
RUNS, READ_ROWS, GROWERS = 3, 2_000_000, 300


def _nothing(folder: Path) -> None:
    """Prepare nothing."""


@dataclass(frozen=True)
class Work:
    """Work of a row.

    Attributes:
        title: its description.
        ours: function that does it in a folder of its own.
        peer_name: the bare tool; empty if there is none.
        peer: function that does the bare tool's part.
        prepare: function that writes the input into the folder that both read, not timed.
    """

    title: str
    ours: Callable[[Path, Path], None]
    peer_name: str = ""
    peer: Callable[[Path, Path], None] | None = None
    prepare: Callable[[Path], None] = _nothing


def _write_log(folder: Path) -> None:
    intake.write_fleet(folder / "fleet.csv", READ_ROWS)


def _bare(source: Path, out: Path) -> None:
    intake.bare(source / "fleet.csv", out)


def _read(source: Path, out: Path) -> None:
    intake.ours(source / "fleet.csv", out)
    get_reader().close()


def _bins(source: Path, out: Path) -> None:
    from flows.runtime.local_pool import helpers  # noqa: PLC0415

    intake.ours(source / "fleet.csv", out)
    workspace, quiet = Workspace(out / "w"), Reporter(quiet=True)
    intake.write_machines(workspace)
    stages.receive_files(workspace, quiet)
    with helpers(workspace) as executor:
        assert stages.bin_telemetry(workspace, quiet, executor)
    get_reader().close()


def _fit(n: int) -> Callable[[Path, Path], None]:
    def ours(source: Path, out: Path) -> None:  # noqa: ARG001
        y, X, levels = _loads(source, n)
        fit_speed.fit_in_parts(y, X, levels)

    return ours


def _products(n: int) -> Callable[[Path, Path], None]:
    def peer(source: Path, out: Path) -> None:  # noqa: ARG001
        y, X, _ = _loads(source, n)
        for rows in fit_speed.chunks(n):
            dense = X[rows].astype(np.float64)
            _ = dense.T @ dense, dense.T @ y[rows]

    return peer


def _write_loads(n: int) -> Callable[[Path], None]:
    def prepare(folder: Path) -> None:
        y, X, levels = fit_speed.loads(n)
        for name, values in {"X": X, "y": y, **levels}.items():
            np.save(folder / f"{name}.npy", values)

    return prepare


def _loads(folder: Path, n: int) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Return y, X (memory-mapped) and the levels of the factors, n rows each."""
    found = {p.stem: np.load(p, mmap_mode="r" if p.stem == "X" else None) for p in sorted(folder.glob("*.npy"))}
    X, y = found.pop("X"), found.pop("y")
    assert y.size == n
    return y, X, found


def _demo(source: Path, out: Path) -> None:  # noqa: ARG001
    program = "from flows.cli.app import main; main()"
    words = [sys.executable, "-c", program, "demo", str(out / "demo-season"), "--json"]
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, cwd=ROOT)


def _write_season(folder: Path) -> None:
    """Write a small fleet's workspace with loads of three hundred growers."""
    from tests.benchmarks import pages  # noqa: PLC0415

    pages.MACHINES = 6
    workspace = pages.fleet(folder / "season")
    with stages.open_warehouse(workspace) as warehouse:
        pages.make_long(warehouse)


def _sheets(source: Path, out: Path) -> None:  # noqa: ARG001
    workspace, quiet = Workspace(source / "season"), Reporter(quiet=True)
    from flows.stages import pages  # noqa: PLC0415

    assert len(pages.publish_grower_sheets(workspace, quiet)) == GROWERS


PRODUCTS, PARQUET = "numpy: X'X and X'y alone", "polars: scan_csv, sink_parquet"
WORKS = {
    "read": Work(f"{READ_ROWS / 1e6:g} million rows of 25 columns to Parquet", _read, PARQUET, _bare, _write_log),
    "bins": Work("the same, and 30 s bins", _bins, PARQUET, _bare, _write_log),
    "fit 200k": Work(
        "fit of 200,000 loads, 110 columns, 6 factors",
        _fit(200_000),
        PRODUCTS,
        _products(200_000),
        _write_loads(200_000),
    ),
    "fit 1m": Work(
        "fit of 1,000,000 loads, 110 columns, 6 factors",
        _fit(1_000_000),
        PRODUCTS,
        _products(1_000_000),
        _write_loads(1_000_000),
    ),
    "demo": Work("`taretrace demo`, 12 machines, 30 days", _demo),
    "sheets": Work(f"{GROWERS} growers' sheets of 100,000 loads", _sheets, prepare=_write_season),
}


def _once(name: str, way: str, source: Path) -> dict[str, float]:
    """Do a work in this process and return seconds, processor seconds and peak memory."""
    work = WORKS[name]
    function = work.ours if way == "ours" else work.peer
    assert function is not None
    with tempfile.TemporaryDirectory(dir=source) as out:
        before, started = _processor_s(), time.perf_counter()
        function(source, Path(out))
        seconds = time.perf_counter() - started
        cpu_s = _processor_s() - before
    peak = sum(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    return {"seconds": seconds, "cpu_s": cpu_s, "peak_mb": peak}


def _processor_s() -> float:
    """Return user and system seconds of this process and of its children that have ended."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def _apart(*words: str) -> dict[str, float]:
    """Run this program in a process of its own."""
    done = subprocess.run([sys.executable, __file__, *words], capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout.splitlines()[-1])) if done.stdout else {}


def measure(name: str, runs: int) -> BenchmarkRow:
    """Return the row of a work: medians of alternating runs."""
    work = WORKS[name]
    ways = ["peer", "ours"] if work.peer else ["ours"]
    done: dict[str, list[dict[str, float]]] = {way: [] for way in ways}
    with tempfile.TemporaryDirectory() as folder:
        _apart("--prepare", name, folder)
        for _ in range(runs):
            for way in ways:
                done[way].append(_apart("--once", name, way, folder))

    def median(way: str, figure: str) -> float | None:
        return statistics.median(r[figure] for r in done[way]) if way in done else None

    return BenchmarkRow(
        name=name,
        work=work.title,
        peer=work.peer_name,
        peer_s=median("peer", "seconds"),
        ours_s=median("ours", "seconds") or 0.0,
        peer_cpu_s=median("peer", "cpu_s"),
        ours_cpu_s=median("ours", "cpu_s") or 0.0,
        peak_mb=median("ours", "peak_mb") or 0.0,
        date=f"{dt.datetime.now(dt.UTC):%Y-%m-%d}",
        commit=commit(),
    )


def main() -> int:
    """Measure the rows asked for; return 1 if they are only compared and one became slower."""
    if sys.argv[1:2] == ["--once"]:
        print(json.dumps(_once(sys.argv[2], sys.argv[3], Path(sys.argv[4]))))
        return 0
    if sys.argv[1:2] == ["--prepare"]:
        WORKS[sys.argv[2]].prepare(Path(sys.argv[3]))
        return 0
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("rows", nargs="*", help=f"rows to measure: {', '.join(WORKS)}")
    asked.add_argument("--compare", action="store_true", help="only print; fail if a row became more than 10 %% slower")
    asked.add_argument("--runs", type=int, default=RUNS, help="runs of each")
    args = asked.parse_args()
    if unknown := set(args.rows) - set(WORKS):
        asked.error(f"no rows named {', '.join(sorted(unknown))}")
    before = [BenchmarkRow(**row) for row in json.loads(STORED.read_text("utf-8"))] if STORED.exists() else []
    now = []
    for name in args.rows or WORKS:
        now.append(measure(name, args.runs))
        print(*now[-1].cells(), sep=" | ", flush=True)
    rows = {r.name: r for r in [*before, *now]}
    shown = [rows[name] for name in WORKS if name in rows]
    if not args.compare:
        STORED.write_text(json.dumps([r.stored() for r in shown], indent=1) + "\n", "utf-8")
    table = markdown_table(HEAD, [r.cells() for r in shown])
    note = f"Medians of {args.runs} alternating runs; in brackets processor time, user and system"
    write_figures(BENCHMARKS, "overview", table, note, only_print=args.compare)
    slower = slower_rows(before, now)
    print("", *(slower or ["No row became more than 10 % slower."]), sep="\n")
    return int(args.compare and bool(slower))


if __name__ == "__main__":
    sys.exit(main())
