"""Record of stages: a stage is skipped only if neither its inputs nor its results have changed."""

import datetime as dt
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl
import pytest

from flows import stages
from flows.stages import Fits, pages
from tests.validation.seasons import QUIET, Season
from transforms.config.workspace import Workspace, init_workspace
from transforms.operations import stage_record
from transforms.operations.idle import has_new_input, stored_files
from transforms.operations.stage_record import (
    ADVISE,
    BIN,
    CHECK,
    COMPARE,
    CONDITIONS,
    FIT,
    GUIDE,
    KEPT,
    MARTS,
    NO_INPUT,
    PAGES,
    REFITS,
    RESULTS,
    SHIFT_PAGE,
    STORABILITY,
    TRACE,
    UPTAKE,
    StageRecord,
    post_shift_stages,
)
from transforms.storage.warehouse import Warehouse

if TYPE_CHECKING:
    from collections.abc import Callable


NOW = dt.datetime(2025, 11, 1, tzinfo=dt.UTC)


@pytest.fixture
def workspace(tmp_path) -> Workspace:
    return init_workspace(tmp_path / "season")


def is_current(workspace: Workspace, stage: str, variant: str = "") -> bool:
    with Warehouse(workspace.warehouse) as warehouse:
        return StageRecord(Workspace(workspace.root)).current(warehouse, stage, variant) is not None


def finish(workspace: Workspace, stage: str, *variants: str, written: tuple[Path, ...] = ()) -> None:
    with Warehouse(workspace.warehouse) as warehouse:
        StageRecord(workspace).store(warehouse, stage, variants or ("",), written)


def test_a_stage_that_never_ran_is_due_and_one_that_ran_is_not(workspace):
    assert not is_current(workspace, MARTS)
    finish(workspace, MARTS)
    assert is_current(workspace, MARTS)
    assert not is_current(workspace, FIT)


def test_a_changed_setting_makes_every_stage_due_but_the_recipients_do_not(workspace):
    finish(workspace, MARTS)
    toml = workspace.root / "season.toml"
    before = toml.read_text()
    toml.write_text(before.replace("[notify]", '[notify]\ncommand = "true"'))
    assert is_current(workspace, MARTS)
    toml.write_text(before.replace("beet_per_t = 38.0", "beet_per_t = 39.0"))
    assert not is_current(workspace, MARTS)


def test_a_changed_mapping_or_program_makes_a_stage_due(workspace, monkeypatch):
    finish(workspace, MARTS)
    mapping = workspace.mappings / "a.toml"
    mapping.write_text("kind = 'load'\n")
    assert not is_current(workspace, MARTS)
    mapping.unlink()
    assert is_current(workspace, MARTS)
    monkeypatch.setattr(stage_record, "program_hash", lambda: "of another version")
    assert not is_current(workspace, MARTS)


def test_tables_of_later_stages_do_not_matter_but_all_others_do(workspace):
    finish(workspace, MARTS)
    finish(workspace, PAGES)
    assert is_current(workspace, MARTS)
    with Warehouse(workspace.warehouse) as warehouse:
        warehouse.replace("product_basis", pl.DataFrame([{"product": "advice", "outcome_code": "computed"}]))
    assert is_current(workspace, MARTS)
    assert not is_current(workspace, PAGES)
    with Warehouse(workspace.warehouse) as warehouse:
        row = {
            "machine": "M1",
            "machine_id": "M1",
            "day": "2025-10-01",
            "records": 1,
            "rolled_at": dt.datetime.now(dt.UTC),
        }
        warehouse.append("rolled_day", pl.DataFrame([row]))
    assert not is_current(workspace, MARTS)


def test_files_that_a_stage_wrote_must_be_unchanged(workspace):
    page = workspace.out / "shift.html"
    page.write_text("a")
    finish(workspace, SHIFT_PAGE, written=(page,))
    assert is_current(workspace, SHIFT_PAGE)
    page.write_text("b")
    assert not is_current(workspace, SHIFT_PAGE)
    page.unlink()
    assert not is_current(workspace, SHIFT_PAGE)


def test_recomputed_checks_serve_a_run_that_keeps_them_but_not_the_reverse(workspace):
    finish(workspace, CHECK, KEPT)
    assert (is_current(workspace, CHECK, KEPT), is_current(workspace, CHECK, REFITS)) == (True, False)
    finish(workspace, CHECK, REFITS, KEPT)
    assert (is_current(workspace, CHECK, KEPT), is_current(workspace, CHECK, REFITS)) == (True, True)


@pytest.fixture(scope="module")
def ran(season: Season, tmp_path_factory) -> Workspace:
    """A season whose stages have all run and are recorded."""
    root = tmp_path_factory.mktemp("recorded") / "season"
    workspace = Workspace(Path(shutil.copytree(season.workspace.root, root)))
    record = StageRecord(workspace)
    with Warehouse(workspace.warehouse) as warehouse:
        for stage, variant in post_shift_stages(workspace.season, refits=True):
            record.store(warehouse, stage, (variant,))
    return workspace


def test_a_finished_season_has_nothing_to_do_until_a_file_arrives_or_bins_are_lost(ran):
    stages_of_run = post_shift_stages(ran.season, refits=True)
    stored = stored_files(ran, stages_of_run)
    assert stored is not None
    assert [*stored] == [stage for stage in RESULTS if stage != PAGES]
    new = ran.inbox / "new.csv"
    new.write_text("a,b\n1,2\n")
    assert stored_files(ran, stages_of_run) is None
    new.unlink()
    assert stored_files(ran, stages_of_run) is not None
    lost = min((ran.root / "lake").rglob("bin/**/*.parquet"))
    body = lost.read_bytes()
    lost.unlink()
    with Warehouse(ran.warehouse) as warehouse:
        assert has_new_input(ran, warehouse)
    lost.write_bytes(body)


@pytest.mark.slow
def test_every_table_that_a_stage_writes_is_declared(season: Season, tmp_path, monkeypatch):
    workspace = Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / "season")))
    written: set[str] = set()
    for method in ("append", "replace", "store", "build", "delete_matching", "delete_day"):
        original = getattr(Warehouse, method)

        def record(self, name, *args, _original=original, **kwargs):
            written.add(name)
            return _original(self, name, *args, **kwargs)

        monkeypatch.setattr(Warehouse, method, record)
    with Warehouse(workspace.warehouse) as warehouse:
        for table in ("binned_day", "traced_field"):
            rows = warehouse.table(table)
            warehouse.replace(table, rows.clear())
    fits: list[Fits] = []
    works: dict[str, Callable[[], object]] = {
        BIN: lambda: stages.bin_telemetry(workspace, QUIET),
        TRACE: lambda: stages.trace_loads(workspace, QUIET),
        CONDITIONS: lambda: stages.compute_conditions(workspace, QUIET),
        MARTS: lambda: stages.build_marts(workspace, QUIET),
        UPTAKE: lambda: stages.assess_uptake(workspace, QUIET),
        STORABILITY: lambda: stages.assess_storability(workspace, QUIET),
        FIT: lambda: fits.append(stages.fit_responses(workspace, QUIET)),
        CHECK: lambda: stages.check_fits(workspace, fits[0], QUIET),
        COMPARE: lambda: stages.compare_subjects(workspace, fits[0], QUIET),
        ADVISE: lambda: stages.advise_machines(workspace, fits[0], QUIET),
        GUIDE: lambda: stages.compute_guide(workspace, fits[0], QUIET),
        SHIFT_PAGE: lambda: pages.publish_shift_page(workspace, QUIET),
    }
    assert [*works, PAGES] == [*RESULTS]
    for place, (stage, work) in enumerate(works.items()):
        written.clear()
        work()
        earlier = {t for s in [*works][:place] for t in RESULTS[s]}
        own_or_later = {t for s in [*works][place:] for t in RESULTS[s]}
        received = {"lake_file"} if stage == BIN else set()
        assert written - own_or_later - received - set(NO_INPUT) == set(), stage
        assert written & earlier == set(), stage
