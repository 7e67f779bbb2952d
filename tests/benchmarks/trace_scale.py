"""Tracing at the size of a big fleet: 50, 100 and 200 machines over 60 days, 37,500 to 150,000 loads; one more shift.

Run: .venv/bin/python tests/benchmarks/trace_scale.py     writes the figures of RESULTS.md

Bins of 30 s with fifteen settings lie in the lake, tickets in the warehouse, as intake and binning leave them; what is
timed is the customer's own stage, a process of its own each, with its peak memory.
"""

import datetime as dt
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

from flows import stages
from flows.runtime.progress import Reporter
from tests.support.results_page import BENCHMARKS, markdown_table, write_figures
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lake import Lake, write_atomic
from transforms.storage.warehouse import Warehouse

FIRST = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
DAYS, BINS_A_DAY, LOADS_A_DAY, LOAD_T, TANK_T = 60, 1200, 12.5, 27.5, 20.0
YIELD_T_HA = 75.0
SETTINGS = (
    "topper_speed_rpm",
    "scalper_height_mm",
    "share_depth_cm",
    "share_drive_pct",
    "ground_speed_kmh",
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
)
SHA = "0" * 64


def _field(machine: int, day: int) -> str:
    """A field takes three days; every third pair of machines works theirs together."""
    owner = machine // 2 * 2 if machine // 2 % 3 == 0 else machine
    return f"F{owner:03d}-{day // 3:02d}"


Rows = list[dict[str, object]]


def _day(rng: np.random.Generator, machine: int, day: int) -> tuple[pl.DataFrame, list[dt.datetime], Rows]:
    """Bins, emptyings and loads of one machine-day."""
    start = FIRST + dt.timedelta(days=day)
    per_bin = LOADS_A_DAY * LOAD_T / BINS_A_DAY
    mass = per_bin * np.exp(rng.normal(0, 0.05, BINS_A_DAY))
    at = pl.Series([start + dt.timedelta(seconds=30 * i) for i in range(BINS_A_DAY)]).dt.cast_time_unit("us")
    bins = pl.DataFrame(
        {
            "machine_id": f"M{machine:03d}",
            "bin_at": at,
            "state": "working",
            "work_s": 30.0,
            "distance_m": 50.0,
            "lat_deg": 50.0,
            "lon_deg": 15.0,
            "tank_t": None,
            "silent_s": 0.0,
            "area_ha": mass / YIELD_T_HA,
            "field_id": _field(machine, day),
            **{s: rng.normal(40, 3, BINS_A_DAY) for s in SETTINGS},
            **{f"{s}_sd": 0.2 for s in SETTINGS},
        },
        schema_overrides={"tank_t": pl.Float64},
    )
    filled = np.cumsum(mass)
    emptied = np.searchsorted(filled, np.arange(TANK_T, filled[-1], TANK_T))
    moments = [start + dt.timedelta(seconds=30 * int(i)) for i in emptied]
    loads: Rows = []
    for k in range(int(filled[-1] / LOAD_T)):
        full = emptied[min(int(np.searchsorted(filled[emptied], (k + 1) * LOAD_T)), emptied.size - 1)]
        lag = 25 + 1.5 * 12 + rng.normal(0, 4)
        loads.append(
            {
                "load_id": f"{machine:03d}-{day:02d}-{k:02d}",
                "field_id": _field(machine, day),
                "site_id": "north",
                "machine_id": f"M{machine:03d}" if rng.random() < 0.7 else None,
                "left_field_at": None,
                "weighed_at": start + dt.timedelta(seconds=30 * int(full) + 60 * lag),
                "delivered_t": LOAD_T,
                "clean_t": LOAD_T * 0.88,
            }
        )
    return bins, moments, loads


def _fill(workspace: Workspace, machines: int, days: range) -> None:
    """Write what intake and binning would have left of these days."""
    rng, lake = np.random.default_rng(days.start * 1000 + machines), Lake(workspace.lake)
    loads: Rows = []
    rows: dict[str, Rows] = {"binned_day": [], "field_day": [], "unload_event": []}
    for machine in range(machines):
        for day in days:
            bins, emptied, hauled = _day(rng, machine, day)
            name, date = f"M{machine:03d}", str((FIRST + dt.timedelta(days=day)).date())
            write_atomic(bins, lake.bin_path(name, date))
            loads += hauled
            rows["binned_day"].append({"machine": name, "day": date, "fingerprint": f"{name}{date}"})
            rows["field_day"].append({"machine": name, "day": date, "field_id": _field(machine, day)})
            rows["unload_event"] += [
                {"machine": name, "day": date, "machine_id": name, "started_at": t, "ended_at": t, "found_by": "flag"}
                for t in emptied
            ]
    with stages.open_warehouse(workspace) as warehouse:
        if days.start == 0:
            _lists(warehouse, machines)
        for table, content in rows.items():
            warehouse.append(table, pl.DataFrame(content))
        tickets = pl.DataFrame(
            loads, schema_overrides={"left_field_at": pl.Datetime("us", "UTC"), "machine_id": pl.String}
        )
        extra = {"source_sha256": SHA, "part": "", "revision": 0, "cancelled": False}
        tickets = tickets.with_columns(pl.lit(v).alias(c) for c, v in extra.items()).with_row_index("line", offset=1)
        warehouse.append("received_load", tickets.with_columns(pl.col("line").cast(pl.Int64)))


def _lists(warehouse: Warehouse, machines: int) -> None:
    every = {"source_sha256": SHA, "part": "", "line": 1}
    fields = sorted({_field(m, d) for m in range(machines) for d in range(DAYS + 1)})
    place = {
        "grower_id": "G1",
        "station_id": "S1",
        "lat_deg": 50.0,
        "lon_deg": 15.0,
        "area_ha": 14.0,
        "sand_pct": 30.0,
        "clay_pct": 20.0,
        "organic_matter_pct": 2.0,
        "yield_t_ha": YIELD_T_HA,
        "row_spacing_cm": 50.0,
    }
    fitted = {
        "valid_from_at": FIRST - dt.timedelta(days=9),
        "generation": "B",
        "operator_id": "P1",
        "rows_count": 6.0,
        "row_spacing_cm": 50.0,
        "tank_capacity_t": TANK_T + 4,
    }
    source = {
        "source_sha256": SHA,
        "file": "all",
        "kind": "load",
        "rows_in": 0,
        "rows_accepted": 0,
        "rows_rejected": 0,
        "rows_repeated": 0,
        "received_at": FIRST,
        "file_at": FIRST,
        "mapping": "all",
        "header": "",
    }
    for table, rows in (
        ("source_file", [source]),
        ("received_field", [every | place | {"field_id": f} for f in fields]),
        ("received_machine_setup", [every | fitted | {"machine_id": f"M{m:03d}"} for m in range(machines)]),
    ):
        warehouse.append(table, pl.DataFrame(rows))


SEASON = """[season]
name = "Scale"
time_zone = "UTC"
shift_starts = "03:00"
[sites.north]
lat_deg = 50.09
lon_deg = 15.0
"""


def _timed(folder: Path) -> dict[str, float]:
    """Trace in a process of its own: seconds, fields traced, peak memory."""
    done = subprocess.run([sys.executable, __file__, "--trace", folder], capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def main() -> None:
    """Write a row per size, and the shift after it."""
    if sys.argv[1:2] == ["--trace"]:
        started = time.perf_counter()
        traced = stages.trace_loads(Workspace(Path(sys.argv[2])), Reporter(quiet=True))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps({"seconds": time.perf_counter() - started, "fields": traced, "peak_mb": peak}))
        return
    rows = []
    for machines in (50, 100, 200):
        with tempfile.TemporaryDirectory() as folder:
            workspace = init_workspace(Path(folder) / "w", SEASON)
            with stages.open_warehouse(workspace):
                pass  # A warehouse that is missing beside a lake would be taken for damage.
            _fill(workspace, machines, range(DAYS))
            whole = _timed(workspace.root)
            _fill(workspace, machines, range(DAYS, DAYS + 1))
            shift = _timed(workspace.root)
        loads = round(machines * DAYS * LOADS_A_DAY)
        rows.append(
            [
                f"{machines}",
                f"{loads:,}".replace(",", " "),
                f"{whole['seconds']:.0f}",
                f"{1000 * whole['seconds'] / loads:.2f}",
                f"{whole['peak_mb']:.0f} MB",
                f"{shift['seconds']:.1f} s",
                f"{shift['fields']:.0f} of {whole['fields']:.0f}",
            ]
        )
        print(*rows[-1], sep=" | ", flush=True)
    head = ["machines", "loads", "seconds", "ms per load", "peak memory", "one more shift", "fields traced for it"]
    write_figures(BENCHMARKS, "tracing", markdown_table(head, rows))


if __name__ == "__main__":
    main()
