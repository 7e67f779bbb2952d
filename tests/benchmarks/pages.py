"""Seconds and sizes of pages: a shift of forty machines, a season of 100,000 loads, three hundred growers' sheets.

The fleet works a few days for real; the season is then made long by repeating its loads under new ids, days, growers.
Medians of three runs each; marts are ready, as after a post-shift run.

    .venv/bin/python tests/benchmarks/pages.py            writes the figures of RESULTS.md
    .venv/bin/python tests/benchmarks/pages.py FOLDER     works on the fleet in this folder, only prints
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
from tests.support.results_page import BENCHMARKS, markdown_table, write_figures
from transforms.config.response_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse

MACHINES, DAYS, LOADS, GROWERS, RUNS = 40, 4, 100_000, 300, 3
QUIET = Reporter(quiet=True)
BY_RESPONSE = (
    "fit_run",
    "fit_check",
    "effect",
    "curve",
    "confounding",
    "variance_share",
    "interaction_gain",
    "benchmark",
)
"""Results with a row or more for each response; pages draw them."""
FEW = (DIRT, ROOT_LOSS, TOPS)
"""Responses of a season in which no roots are inspected."""
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


def keep_responses(warehouse: Warehouse, kept: tuple[str, ...]) -> None:
    """Delete the results of all other responses, so that a report compares with one of a season that measured few."""
    for name in BY_RESPONSE:
        rows = warehouse.table(name)
        with warehouse.transaction():
            warehouse.replace(name, rows.filter(pl.col("response").is_in(kept) | pl.col("response").is_null()))


def copied(workspace: Workspace, folder: Path) -> Workspace:
    """The tables in a folder of their own, to be made long."""
    for name in ("season.toml", "warehouse.duckdb"):
        shutil.copy(workspace.root / name, folder / name)
    return Workspace(folder)


def table_row(name: str, write: Callable[[], list[Path]], *, shows_first: bool = False) -> list[str]:
    """Return a row of the table: median seconds, files and their size."""
    seconds = []
    for _ in range(RUNS):
        started = perf_counter()
        paths = write()
        seconds.append(perf_counter() - started)
    size = sum(p.stat().st_size for p in paths) / 1e6
    first = f" ({seconds[0]:.1f} the first time in a process)" if shows_first else ""
    row = [name, f"{statistics.median(seconds):.1f}{first}", f"{len(paths)}", f"{size:.1f} MB"]
    print(*row, sep=" | ", flush=True)
    return row


def main() -> None:
    """Make the fleet, write its pages, make the season long, write its pages."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp()) / "fleet"
    workspace = Workspace(folder) if (folder / "warehouse.duckdb").exists() else fleet(folder)
    both = OutputFormats(pdf=True, xlsx=True)
    publish = pages.publish_shift_page
    rows = [
        table_row(f"shift page, {MACHINES} machines", lambda: publish(workspace, QUIET), shows_first=True),
        table_row("the same with PDF and workbook", lambda: publish(workspace, QUIET, both)),
    ]
    long = copied(workspace, Path(tempfile.mkdtemp()))
    with stages.open_warehouse(long) as warehouse:
        loads = make_long(warehouse)
    season = f"season report, {loads:,} loads, with guide, cards and list of loads"
    rows += [
        table_row(season, lambda: pages.publish_season_report(long, QUIET)),
        table_row("the same with PDF and workbook", lambda: pages.publish_season_report(long, QUIET, both)),
        table_row("fleet page and list of loads", lambda: pages.publish_fleet_page(long, QUIET)),
        table_row(f"{GROWERS} growers' sheets, two processes", lambda: pages.publish_grower_sheets(long, QUIET)),
    ]
    with stages.open_warehouse(long) as warehouse:
        keep_responses(warehouse, FEW)
    few = "season report with PDF and workbook, three responses instead of eight"
    rows.append(table_row(few, lambda: pages.publish_season_report(long, QUIET, both)))
    lines = markdown_table(["what", "seconds", "files", "size"], rows)
    write_figures(BENCHMARKS, "pages", lines, f"Medians of {RUNS} runs", only_print=len(sys.argv) > 1)


if __name__ == "__main__":
    main()
