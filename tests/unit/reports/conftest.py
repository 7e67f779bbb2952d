"""Fixtures: every page of the demo season, and a headless Chromium without network access."""

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from selenium import webdriver

from flows import stages
from flows.pipeline.delivery import deliver_pages
from flows.stages import pages
from reports.page.formats import OutputFormats
from reports.pages.followed import write_followed
from reports.pages.followed_data import load_followed_page
from reports.pages.index_data import INDEX
from tests.support.invented_outcome import fill_outcome
from tests.support.program import Demo
from tests.unit.reports.chromium import CHROMIUM, DRIVER, start_chromium
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.config.workspace import Season as SeasonConfig
from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse


@pytest.fixture(scope="session")
def advised(season: Season, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The small season with advice; tests may write its pages, but must not change its tables."""
    workspace = copy_of(season, tmp_path_factory.mktemp("page") / "season")
    stages.advise_machines(workspace, season.fits, QUIET)
    return workspace


@pytest.fixture(scope="session")
def browser() -> Iterator[webdriver.Chrome]:
    if not (CHROMIUM and DRIVER):
        pytest.skip("needs Debian's chromium and chromium-driver")
    driver = start_chromium()
    driver.set_script_timeout(180)
    yield driver
    driver.quit()


def followed_page_of(workspace: Workspace, out: Path, season: SeasonConfig | None = None) -> Path:
    """Write the page on followed advice with an invented outcome: the demo is read at once, after all shifts."""
    with Warehouse.open_read_only(workspace.warehouse) as stored, Warehouse.in_memory() as warehouse:
        for name in ("load_fact", "load_class"):
            warehouse.store(name, stored.table(name))
        for name in ("fit_run", "source_file", "mass_balance"):
            warehouse.replace(name, stored.table(name))
        fill_outcome(warehouse)
        return write_followed(load_followed_page(warehouse), season or workspace.season, out)[0]


@pytest.fixture(scope="session")
def written(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return every kind of page of the demo season, written as by a user; season and shift as PDF and workbook too."""
    workspace = demo.workspace
    both = OutputFormats(pdf=True, xlsx=True)
    season, season_pdf, season_xlsx, appendix, appendix_pdf, loads, guide, card, *_ = pages.publish_season_report(
        workspace, QUIET, both
    )
    shift, shift_pdf, shift_xlsx, *evidence = pages.publish_shift_page(workspace, QUIET, both)
    query = stages.TrialAsked("cleaner_1_speed_rpm", "M02", None, None, None, 20.0)
    sheet = stages.plan_trial(workspace, query).sheet
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        explained = warehouse.table("load_why").select("load_id").unique()
        grade = warehouse.table("load_trace_grade").filter(pl.col("trace_quality") > 0.8)
        grade = grade.join(explained, on="load_id", how="semi").sort("load_id")
    pages_of_demo = {
        "shift": shift,
        **{f"shift-{path.stem.rsplit('-', 1)[1]}": path for path in evidence},
        "season": season,
        "season-appendix": appendix,
        "season-loads": loads,
        "guide": guide,
        "card": card,
        "sheet": sheet,
        "fleet": pages.publish_fleet_page(workspace, QUIET)[0],
        "what-if": pages.publish_what_if_page(workspace, QUIET),
        "load": pages.publish_load_page(workspace, grade["load_id"][200], None, QUIET)[0],
        "grower": pages.publish_grower_sheets(workspace, QUIET, both, "G003")[0],
        "season-pdf": season_pdf,
        "season-xlsx": season_xlsx,
        "season-appendix-pdf": appendix_pdf,
        "shift-pdf": shift_pdf,
        "shift-xlsx": shift_xlsx,
    }
    deliver_pages(workspace, QUIET)
    pages_of_demo["followed"] = followed_page_of(workspace, tmp_path_factory.mktemp("followed"))
    return {**pages_of_demo, "index": workspace.out / INDEX}


@pytest.fixture(scope="session")
def page_html(written: dict[str, Path]) -> dict[str, str]:
    """Return the HTML of every page."""
    return {name: path.read_text("utf-8") for name, path in written.items() if path.suffix == ".html"}
