"""Seconds and sizes of pages: a shift of forty machines, a season of 100,000 loads, three hundred growers' sheets.

The fleet works a few days for real; the season is then made long by repeating its loads under new ids, days, growers.
Medians of three runs each; marts are ready, as after a post-shift run.

    .venv/bin/python tests/benchmarks/pages.py [FOLDER]
"""

import shutil
import statistics
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))

from flows import stages
from flows.pipeline.demo import write_demo
from flows.runtime.progress import Reporter
from flows.stages import pages
from reports.page.formats import OutputFormats
from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse

MACHINES, DAYS, LOADS, GROWERS, RUNS = 40, 4, 100_000, 300, 3
QUIET = Reporter(quiet=True)
BY_LOAD = ("expected_load", "load_why", "storability")


def fleet(folder: Path) -> Workspace:
    """Forty machines over a few days, through every stage."""
    workspace = write_demo(folder, machines=MACHINES, days=DAYS, seed=1, hz=0.1, reporter=QUIET)
    for stage in (
        stages.receive_files,
        stages.bin_telemetry,
        stages.trace_loads,
        stages.compute_conditions,
        stages.build_marts,
        stages.assess_storability,
    ):
        stage(workspace, QUIET)
    fits = stages.fit_responses(workspace, QUIET)
    for judge in (stages.check_fits, stages.compare_subjects, stages.advise_machines, stages.compute_guide):
        judge(workspace, fits, QUIET)
    return workspace


def _again(rows: pl.DataFrame, times: int) -> pl.DataFrame:
    """Rows of loads again and again, under new ids."""
    return pl.concat(rows.with_columns((pl.col("load_id") + f"-{k}").alias("load_id")) for k in range(times))


def make_long(warehouse: Warehouse) -> int:
    """Repeat the season's loads to a hundred thousand over three hundred growers; return how many they are."""
    facts = warehouse.table("load_fact")
    times = -(-LOADS // facts.height)
    with warehouse.transaction():
        for name in BY_LOAD:
            warehouse.replace(name, _again(warehouse.table(name), times).select(warehouse.columns(name)))
        long = pl.concat(
            facts.with_columns(
                (pl.col("load_id") + f"-{k}").alias("load_id"),
                pl.col("shift_date") + pl.duration(days=k * DAYS),
                pl.col("weighed_at", "lifted_at") + pl.duration(days=k * DAYS),
            )
            for k in range(times)
        )
        grower = pl.format("G{}", pl.int_range(pl.len()) % GROWERS)
        warehouse.store("load_fact", long.with_columns(grower.alias("grower_id")))
        warehouse.build("load_class")
        warehouse.build("pile_ledger")
        compared = warehouse.table("benchmark")
        own = compared.filter((pl.col("subject_kind") == "grower") & (pl.col("response") == "dirt_tare_pct"))
        many = pl.concat([own] * (-(-GROWERS // own.height))).head(GROWERS)
        many = many.with_columns(pl.format("G{}", pl.int_range(pl.len())).alias("subject_id"))
        warehouse.replace("benchmark", pl.concat([compared.filter(pl.col("subject_kind") != "grower"), many]))
    return long.height


def copied(workspace: Workspace, folder: Path) -> Workspace:
    """The tables in a folder of their own, to be made long."""
    for name in ("season.toml", "warehouse.duckdb"):
        shutil.copy(workspace.root / name, folder / name)
    return Workspace(folder)


def reported(name: str, write: Callable[[], list[Path]]) -> None:
    """Print a row: median seconds, files and their size."""
    seconds = []
    for _ in range(RUNS):
        started = perf_counter()
        paths = write()
        seconds.append(perf_counter() - started)
    size = sum(p.stat().st_size for p in paths) / 1e6
    print(f"| {name} | {statistics.median(seconds):.1f} s | {len(paths)} | {size:.1f} MB |", flush=True)


def main() -> None:
    """Make the fleet, write its pages, make the season long, write its pages."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp()) / "fleet"
    workspace = Workspace(folder) if (folder / "warehouse.duckdb").exists() else fleet(folder)
    both = OutputFormats(pdf=True, xlsx=True)
    print("| what | median of three | files | size |\n|---|---|---|---|")
    reported(f"shift page, {MACHINES} machines", lambda: pages.publish_shift_page(workspace, QUIET))
    reported("the same with PDF and workbook", lambda: pages.publish_shift_page(workspace, QUIET, both))
    workspace = copied(workspace, Path(tempfile.mkdtemp()))
    with stages.open_warehouse(workspace) as warehouse:
        loads = make_long(warehouse)
    reported(
        f"season report, {loads:,} loads, with guide and list", lambda: pages.publish_season_report(workspace, QUIET)
    )
    reported("the same with PDF and workbook", lambda: pages.publish_season_report(workspace, QUIET, both))
    reported("fleet page and list", lambda: pages.publish_fleet_page(workspace, QUIET))
    reported(f"{GROWERS} growers' sheets", lambda: pages.publish_grower_sheets(workspace, QUIET))


if __name__ == "__main__":
    main()
