"""A fit keeps the products of earlier fits, and every page reports the fit on which it is based."""

import datetime as dt
import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.stages import pages
from reports.language.basis_messages import by_day_words
from reports.language.translate import use_language
from reports.page.model import Page
from reports.pages.fleet import fleet_page
from reports.pages.fleet_data import load_fleet_page
from reports.pages.guide import guide_page
from reports.pages.guide_data import load_guide_page
from reports.pages.season import season_page
from reports.pages.season_appendix import season_appendix
from reports.pages.season_data import load_season_page
from tests.support.program import taretrace_here
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.config.workspace import Workspace
from transforms.contracts.result_tables.fit import ESTIMATED, LAST_NIGHT
from transforms.storage.product_basis import (
    ADVICE,
    BENCHMARK,
    GUIDE,
    BasisCode,
    OutcomeCode,
    product_status,
    store_basis,
)
from transforms.storage.warehouse import Warehouse

AT = dt.datetime(2025, 10, 9, 6, tzinfo=dt.UTC)


def advice_code(page: Path) -> str:
    found = re.search(r'<section id="moves" data-code="(\w+)"', page.read_text("utf-8"))
    assert found
    return found[1]


@pytest.fixture(scope="module")
def workspace(season: Season, advised: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Return a season with advice, guide and comparison; tests run in any order and restore their changes."""
    workspace = Workspace(shutil.copytree(advised.root, tmp_path_factory.mktemp("basis") / "season"))
    stages.assess_storability(workspace, QUIET)
    stages.compute_guide(workspace, season.fits, QUIET)
    stages.compare_subjects(workspace, season.fits, QUIET)
    return workspace


@pytest.fixture
def _later_fit(workspace: Workspace):
    """Replace the fit by the same fit made an hour later."""
    with stages.open_warehouse(workspace) as warehouse:
        before = warehouse.table("fit_run")
        warehouse.replace("fit_run", before.with_columns(pl.col("fitted_at") + dt.timedelta(hours=1)))
    yield
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.replace("fit_run", before)


@pytest.mark.slow
def test_a_fit_keeps_the_advice_and_the_page_names_the_command_that_renews_it(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    stages.assess_storability(workspace, QUIET)
    assert advice_code(pages.publish_shift_page(workspace, QUIET)[0]) == BasisCode.NOT_COMPUTED
    stages.advise_machines(workspace, season.fits, QUIET)
    assert advice_code(pages.publish_shift_page(workspace, QUIET)[0]) == BasisCode.CURRENT
    with stages.open_warehouse(workspace) as warehouse:
        before = warehouse.table("advice")
        basis = warehouse.table("product_basis").row(by_predicate=pl.col("product") == ADVICE, named=True)
        assert basis["last_shift_date"] == warehouse.table("load_fact")["shift_date"].max()
        assert basis["fitted_at"] == warehouse.table("fit_run")["fitted_at"].max()
    fits = stages.fit_responses(workspace, QUIET)
    with stages.open_warehouse(workspace) as warehouse:
        assert before.height > 0
        assert warehouse.table("advice").equals(before)
        assert product_status(warehouse, ADVICE).code is BasisCode.EARLIER_FIT
    page = pages.publish_shift_page(workspace, QUIET)[0]
    assert advice_code(page) == BasisCode.EARLIER_FIT
    text = page.read_text("utf-8")
    assert "taretrace advise" in text
    assert all(f">{m}</a>" in text for m in before.filter(pl.col("verdict") == "move")["machine_id"].unique())
    stages.advise_machines(workspace, fits, QUIET)
    assert advice_code(pages.publish_shift_page(workspace, QUIET)[0]) == BasisCode.CURRENT


def test_advice_of_an_earlier_shift_is_not_given_for_the_next_one(workspace: Workspace):
    with stages.open_warehouse(workspace) as warehouse:
        basis = warehouse.table("product_basis")
        earlier = pl.col("last_shift_date") - dt.timedelta(days=2)
        warehouse.replace("product_basis", basis.with_columns(earlier))
    page = pages.publish_shift_page(workspace, QUIET)[0]
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.replace("product_basis", basis)
    assert advice_code(page) == BasisCode.EARLIER_SHIFT
    when = page.read_text("utf-8").split('class="when">')[1]
    assert when.startswith("After ")


def test_too_little_data_is_another_code_than_advice_that_was_never_computed(workspace: Workspace):
    with stages.open_warehouse(workspace) as warehouse:
        basis, advice = warehouse.table("product_basis"), warehouse.table("advice")
        warehouse.replace("advice", advice.clear())
        store_basis(warehouse, ADVICE, OutcomeCode.TOO_FEW_LOADS)
    few = pages.publish_shift_page(workspace, QUIET)[0].read_text("utf-8")
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.replace("product_basis", basis.clear())
    never = pages.publish_shift_page(workspace, QUIET)[0].read_text("utf-8")
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.replace("advice", advice)
        warehouse.replace("product_basis", basis)
    assert f'data-code="{BasisCode.TOO_FEW_LOADS}"' in few
    assert f'data-code="{BasisCode.NOT_COMPUTED}"' in never


@pytest.mark.usefixtures("_later_fit")
def test_a_check_of_advice_does_not_judge_advice_of_an_earlier_fit_by_the_last_one(workspace: Workspace):
    with stages.open_warehouse(workspace) as warehouse:
        advice = warehouse.table("advice")
        warehouse.replace("advice", advice.with_columns(pl.col("to_value") + 1000))
        assert warehouse.check("advice_within_tried").height == 0
        warehouse.replace("advice", advice)


def notes(page: Page, section: str) -> int:
    (found,) = (s for s in page.sections if s.id == section)
    return sum(getattr(b, "note", False) for b in found.blocks)


@pytest.mark.usefixtures("_later_fit")
def test_guide_and_comparison_of_an_earlier_fit_are_marked(workspace: Workspace):
    season = workspace.season
    with stages.open_warehouse(workspace) as warehouse, use_language(season.locale, season.texts):
        for product in (GUIDE, BENCHMARK):
            assert product_status(warehouse, product).code is BasisCode.EARLIER_FIT
        assert notes(guide_page(load_guide_page(warehouse), season), "reading") == 1
        assert notes(fleet_page(load_fleet_page(warehouse, season), season), "machines") == 1
        data = load_season_page(warehouse, season)
        report, appendix = season_page(data, season), season_appendix(data, season)
        assert [notes(report, s) for s in ("savings", "next")] == [1, 1]
        assert [notes(appendix, s) for s in ("guide", "worth", "open")] == [1, 1, 1]
    assert "earlier fit" in pages.publish_what_if_page(workspace, QUIET).read_text("utf-8")
    folder = workspace.root
    for command in (("what-if", folder), ("benchmark", folder)):
        assert json.loads(taretrace_here(*command, "--json").out)["basis_code"] == BasisCode.EARLIER_FIT


def test_pages_of_the_last_fit_carry_no_such_mark(workspace: Workspace):
    season = workspace.season
    with stages.open_warehouse(workspace) as warehouse, use_language(season.locale, season.texts):
        assert notes(guide_page(load_guide_page(warehouse), season), "reading") == 0
        assert notes(fleet_page(load_fleet_page(warehouse, season), season), "machines") == 0


def test_a_product_without_a_basis_is_not_computed(tmp_path):
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        assert product_status(warehouse, ADVICE).code is BasisCode.NOT_COMPUTED


def test_a_trial_planned_from_advice_of_an_earlier_fit_carries_its_code(workspace: Workspace, tmp_path):
    shutil.copytree(workspace.root, tmp_path / "w")
    with stages.open_warehouse(Workspace(tmp_path / "w")) as warehouse:
        before = warehouse.table("fit_run")
        warehouse.replace("fit_run", before.with_columns(pl.col("fitted_at") + dt.timedelta(hours=1)))
    words = ("--setting", "share_depth_cm", "--machine", "M01", "--detect-pct", "20", "--json")
    ran = taretrace_here("trial", "plan", tmp_path / "w", *words)
    assert ran.code == 0, ran.err
    assert json.loads(ran.out)["advice_basis_code"] == BasisCode.EARLIER_FIT


def test_only_a_fit_by_day_names_the_nightly_fit_that_it_builds_on():
    run = {"variances_from": ESTIMATED, "variances_shift_date": dt.date(2025, 10, 9)}
    assert by_day_words(run) == ""
    assert "2025" in by_day_words({**run, "variances_from": LAST_NIGHT})
