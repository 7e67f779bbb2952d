"""Fixtures of commands: a small intact workspace, a copy that a test may damage, and commands without computation."""

import shutil
from contextlib import nullcontext
from pathlib import Path
from typing import Self

import polars as pl
import pytest

from flows import stages
from flows.cli import app as cli_app
from flows.cli import repair_report
from flows.pipeline import start
from flows.pipeline.demo import write_demo
from flows.pipeline.job_result import JobResult
from flows.runtime import local_pool
from flows.stages import pages
from tests.support.workspace_tables import Whole, every_table
from tests.validation.seasons import QUIET, ingest
from transforms.config.workspace import Workspace
from transforms.ingest.file_read import IngestedFile
from transforms.operations import export
from transforms.operations.repair.outcome import Outcome, Step
from transforms.parallel import serial
from transforms.storage.run_log import RunLog


@pytest.fixture(scope="session")
def whole(tmp_path_factory) -> Whole:
    """A small ingested season with overlapping logs, so that some rows are repeated."""
    workspace = write_demo(tmp_path_factory.mktemp("damage") / "w", machines=2, days=2, seed=3, hz=0.02, reporter=QUIET)
    log = workspace.inbox / "log_a_M01_w1.csv"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[: len(lines) * 7 // 10]))
    (workspace.inbox / "log_a_M01_w2.csv").write_bytes(b"".join([*lines[:2], *lines[len(lines) // 2 :]]))
    ingest(workspace)
    stages.assess_storability(workspace, QUIET)
    RunLog(workspace.log).write("post-shift", "ended")
    workspace.root.chmod(0o700)
    tables = every_table(workspace, telemetry=True)
    assert tables["source_file"]["rows_repeated"].sum() > 100
    assert tables["load_fact"].height > 10
    return Whole(workspace, tables)


@pytest.fixture
def harmed(whole: Whole, tmp_path) -> Workspace:
    return Workspace(Path(shutil.copytree(whole.workspace.root, tmp_path / "w")))


@pytest.fixture
def stored_results(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands that compute or write pages show the stored results instead, so that only their output is tested."""

    class NoEngine:
        def __init__(self, *_: object, **__: object) -> None:
            pass

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def ready(self) -> None:
            pass

    def advised(workspace: Workspace, *_: object) -> pl.DataFrame:
        with stages.open_warehouse(workspace) as warehouse:
            return warehouse.table("advice")

    def page_of(workspace: Workspace) -> Path:
        page = workspace.out / "shift-2025-10-31.html"
        page.write_text("<title>Shift · taretrace</title>", "utf-8")
        return page

    def run_post_shift(workspace: Workspace, *_: object) -> JobResult:
        received = IngestedFile("a.csv", "load", rows_in=3, rows_accepted=2, rows_rejected=1)
        return JobResult([received], [page_of(workspace)], None)

    monkeypatch.setattr(local_pool, "helpers", lambda _: nullcontext(serial))
    monkeypatch.setattr(export, "exported_tables", lambda warehouse, _: {"advice": warehouse.table("advice")})
    monkeypatch.setattr(stages, "fit_responses", lambda *_: None)
    monkeypatch.setattr(stages, "check_fits", lambda *_: None)
    monkeypatch.setattr(stages, "advise_machines", advised)
    for name in ("publish_shift_page", "publish_fleet_page", "publish_grower_sheets"):
        monkeypatch.setattr(pages, name, lambda workspace, *_: [page_of(workspace)])
    monkeypatch.setattr(cli_app, "Engine", NoEngine)
    monkeypatch.setattr(start, "run_post_shift", run_post_shift)
    steps = [Step(code, 2, "a.parquet") for code in repair_report.MESSAGES]
    monkeypatch.setattr(repair_report, "repair_workspace", lambda *_, **__: Outcome(steps))
