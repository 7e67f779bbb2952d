"""Intake against a bare conversion of the same file, and the cost of the 60th shift against the first.

Run: .venv/bin/python tests/benchmarks/intake.py [rows]

Without an argument it reads 10 million rows and writes the figures of RESULTS.md; with one it only prints them.
Every figure is the median of three runs in processes of their own, ours and the bare conversion in turns. Ours includes
the start of the reader process, and the peak of its memory beside our own.
"""

import datetime as dt
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
from defusedxml.ElementTree import fromstring

sys.path[:0] = [str(Path(__file__).parents[2])]

from flows import stages
from flows.runtime.progress import Reporter
from tests.support.results_page import BENCHMARKS, markdown_table, write_figures
from tests.support.task_data import Value, log_header, long_log, write_set
from transforms.config.workspace import Workspace, init_workspace
from transforms.ingest.isolated_read import get_reader
from transforms.ingest.readers.iso11783.log_header import layout_of
from transforms.ingest.readers.iso11783.time_log import read_records

RUNS, ROWS = 3, 10_000_000
SHIFT_RECORDS = 50_000
SETTINGS = [
    "share_depth_cm",
    "ground_speed_kmh",
    "share_drive_pct",
    "topper_speed_rpm",
    "scalper_height_mm",
    "intake_roller_height_mm",
    "intake_roller_speed_pct",
    "rear_roller_speed_pct",
    "transfer_web_speed_pct",
    "cleaner_1_speed_rpm",
    "cleaner_2_speed_rpm",
    "cleaner_3_speed_rpm",
    "separator_1_height_mm",
    "separator_2_height_mm",
    "separator_3_height_mm",
    "load_number",
    "unload_number",
    "sections_on_pct",
]
UNITS = {"cm": "cm", "kmh": "kmh", "pct": "pct", "rpm": "rpm", "mm": "mm"}


def shift(rng: np.random.Generator, machine: int, day: int, n: int) -> pl.DataFrame:
    """One machine's shift at 1 Hz: 25 columns as an export has them."""
    start = dt.datetime(2025, 10, 1, 5, tzinfo=dt.UTC) + dt.timedelta(days=day)
    moment = (pl.lit(start) + pl.duration(seconds=pl.int_range(n))).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return pl.select(pl.lit(f"M{machine:02d}").repeat_by(n).explode().alias("machine")).with_columns(
        moment.alias("time"),
        pl.Series("lat", (50 + rng.normal(0, 1e-3, n)).round(6)),
        pl.Series("lon", (15 + rng.normal(0, 1e-3, n)).round(6)),
        pl.Series("state", rng.choice(["working", "turning", "idle"], n)),
        pl.Series("unloading", rng.integers(0, 2, n)),
        pl.Series("tank_kg", rng.uniform(0, 20_000, n).round(0)),
        *(pl.Series(s, rng.normal(50, 5, n).round(2)) for s in SETTINGS),
    )


def write_fleet(path: Path, rows: int) -> None:
    """Stream shifts of 20 machines, one after the other, into one CSV file."""
    rng = np.random.default_rng(1)
    with path.open("wb") as handle:
        for k in range(rows // SHIFT_RECORDS):
            shift(rng, k % 20, k // 20, SHIFT_RECORDS).write_csv(handle, include_header=k == 0)


def workspace_for(folder: Path) -> Path:
    """A workspace whose mapping reads these exports."""
    init_workspace(folder)
    plain = {"machine_id": "machine", "work_state": "state"}
    with_unit = {
        "lat_deg": ("lat", "deg"),
        "lon_deg": ("lon", "deg"),
        "unloading": ("unloading", "flag"),
        "tank_t": ("tank_kg", "kg"),
    }
    lines = ['kind = "telemetry"', 'files = ["*.csv"]', "[columns.logged_at]", 'from = "time"']
    lines += ['format = "%Y-%m-%dT%H:%M:%SZ"', 'time_zone = "UTC"']
    for column, source in plain.items():
        lines += [f"[columns.{column}]", f'from = "{source}"']
    for column, (source, unit) in with_unit.items():
        lines += [f"[columns.{column}]", f'from = "{source}"', f'unit = "{unit}"']
    for name in SETTINGS:
        known_unit = UNITS.get(name.rsplit("_", 1)[-1])
        lines += [f"[columns.{name}]", f'from = "{name}"', *([f'unit = "{known_unit}"'] if known_unit else [])]
    (folder / "mappings" / "log.toml").write_text("\n".join(lines).replace('["*.csv"]', '["log*.csv"]') + "\n")
    return folder


def write_machines(workspace: Workspace) -> None:
    """A machine list, so that there is something to bin by."""
    rows = {"machine_id": "m", "generation": "g"}
    numbers = {"rows_count": ("r", "count"), "row_spacing_cm": ("s", "cm"), "tank_capacity_t": ("t", "t")}
    lines = ['kind = "machine_setup"', 'files = ["machines.csv"]', "[columns.valid_from_at]", 'from = "d"']
    lines += ['format = "%Y-%m-%d"', 'time_zone = "UTC"']
    lines += [f'[columns.{c}]\nfrom = "{s}"' for c, s in rows.items()]
    lines += [f'[columns.{c}]\nfrom = "{s}"\nunit = "{u}"' for c, (s, u) in numbers.items()]
    (workspace.mappings / "list.toml").write_text("\n".join(lines) + "\n")
    setups = "".join(f"M{i:02d},2025-01-01,one,6,50,20\n" for i in range(20))
    (workspace.inbox / "machines.csv").write_text(f"m,d,g,r,s,t\n{setups}")


def bare(path: Path, out: Path) -> None:
    """The yardstick: nothing but CSV to Parquet."""
    pl.scan_csv(path).sink_parquet(out / "bare.parquet")


def ours(path: Path, out: Path, *, has_copy: bool = False) -> None:
    """The whole intake of the file, hash and record included."""
    workspace = Workspace(workspace_for(out / "w"))
    if not has_copy:
        season = workspace.root / "season.toml"
        season.write_text(season.read_text().replace("[run]", "[run]\nkeep_received_days = 0", 1))
        assert workspace.season.place.keep_received_days == 0
    (workspace.inbox / "log.csv").hardlink_to(path)
    (received,) = stages.receive_files(workspace, Reporter(quiet=True))
    assert received.rows_accepted == received.rows_in > 0


WAYS: dict[str, Callable[[Path, Path], None]] = {
    "bare": bare,
    "ingested": ours,
    "with copy": lambda path, out: ours(path, out, has_copy=True),
}


def once(what: str, path: Path) -> dict[str, float]:
    """Time one conversion in this process."""
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        started = time.perf_counter()
        WAYS[what](path, Path(folder))
        seconds = time.perf_counter() - started
    get_reader().close()  # only a process that has ended is counted
    both = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return {"seconds": seconds, "peak_mb": sum(resource.getrusage(who).ru_maxrss for who in both) / 1024}


def apart(what: str, path: Path) -> dict[str, float]:
    """Time one conversion in a process of its own."""
    words = [sys.executable, __file__, "--once", what, str(path)]
    return dict(json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout))


def against_bare(rows: int, folder: Path) -> list[str]:
    """Return seconds, ratios and peak memory of all ways, as a row of the table."""
    path = folder / "fleet.csv"
    write_fleet(path, rows)
    runs: dict[str, list[dict[str, float]]] = {what: [] for what in WAYS}
    for _ in range(RUNS):
        for what, done in runs.items():
            done.append(apart(what, path))
    median = {w: {k: statistics.median(r[k] for r in done) for k in done[0]} for w, done in runs.items()}
    file_gb = path.stat().st_size / 1e9
    path.unlink()
    bare_s = median["bare"]["seconds"]
    return [
        f"{rows / 1e6:g} million",
        f"{file_gb:.2f} GB",
        f"{bare_s:.1f} s",
        f"{median['ingested']['seconds']:.1f} s",
        f"{median['ingested']['seconds'] / bare_s:.2f}",
        f"{median['with copy']['seconds']:.1f} s",
        f"{median['with copy']['seconds'] / bare_s:.2f}",
        f"{median['bare']['peak_mb']:.0f} / {median['with copy']['peak_mb']:.0f} MB",
    ]


def sixty_shifts(folder: Path) -> str:
    """Return the median cost of reading and binning the first shifts and the last of sixty."""
    workspace, quiet, rng = Workspace(workspace_for(folder / "season")), Reporter(quiet=True), np.random.default_rng(2)
    write_machines(workspace)
    seconds = []
    for day in range(60):
        for machine in range(6):
            shift(rng, machine, day, 20_000).write_csv(workspace.inbox / f"log_{machine}_{day:02d}.csv")
        started = time.perf_counter()
        stages.receive_files(workspace, quiet)
        stages.bin_telemetry(workspace, quiet)
        seconds.append(time.perf_counter() - started)
    first, last = statistics.median(seconds[1:6]), statistics.median(seconds[-5:])
    return (
        "Sixty shifts of six machines and 20,000 records each, read and binned: "
        f"shifts 2 to 6 take {first:.2f} s each, shifts 56 to 60 {last:.2f} s ({last / first:.2f} times)."
    )


def task_data(folder: Path, records: int) -> str:
    """Return the walk of a binary log against reading its bytes into numpy records, and the whole taking in."""
    path = folder / "TLG00001.BIN"
    values = [Value(397), Value(52), *(Value(0xE000 + i) for i in range(10))]
    kind = long_log(path, records, len(values))
    layout = layout_of(fromstring(log_header(values, "ABD")))
    yardstick, walked = [], []
    for _ in range(2 * RUNS):
        started = time.perf_counter()
        rows = np.fromfile(path, kind)
        columns = [rows[k].astype(np.float64) for k in ("ms", "day", "lat", "lon")]
        columns += [rows["v"]["x"][:, i].astype(np.float64) for i in range(len(values))]
        yardstick.append(time.perf_counter() - started)
        del rows, columns
        started = time.perf_counter()
        with path.open("rb") as handle:
            found = sum(r.head.size for r in read_records(handle.read, layout, list(range(len(values)))))
        walked.append(time.perf_counter() - started)
        assert found == records
    workspace = Workspace(workspace_for(folder / "task"))
    (workspace.mappings / "log.toml").write_text(
        'kind = "telemetry"\nform = "iso11783"\nfiles = ["T*"]\ntime_zone = "UTC"\n'
    )
    inbox = write_set(workspace.inbox / "T1", [], values)
    (inbox / "TLG00001.BIN").unlink()
    path.rename(inbox / "TLG00001.BIN")
    started = time.perf_counter()
    stages.receive_files(workspace, Reporter(quiet=True))
    taken = time.perf_counter() - started
    read, walk_s = statistics.median(yardstick), statistics.median(walked)
    return (
        f"Task data, {records / 1e6:.0f} million records of 12 values: reading the bytes into numpy records and their "
        f"columns takes {read:.2f} s, walking the records {walk_s:.2f} s ({walk_s / read:.2f} times; best of each "
        f"{min(walked) / min(yardstick):.2f}), ingesting them {taken:.1f} s."
    )


def main() -> None:
    """Run the benchmark."""
    if sys.argv[1:2] == ["--once"]:
        print(json.dumps(once(sys.argv[2], Path(sys.argv[3]))))
        return
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory() as folder:
        sizes = [against_bare(size, Path(folder)) for size in (rows // 4, rows // 2, rows)]
        others = [task_data(Path(folder), 2_000_000), "", sixty_shifts(Path(folder))]
    head = ["rows", "file", "bare", "ingested", "ratio"]
    head += ["with compressed copy", "ratio", "peak memory, bare / with copy"]
    lines = [*markdown_table(head, sizes), "", *others]
    write_figures(BENCHMARKS, "intake", lines, f"Medians of {RUNS} runs", only_print=len(sys.argv) > 1)


if __name__ == "__main__":
    main()
