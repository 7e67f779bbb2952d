"""Fixtures for damage and repair: a small intact workspace, and a copy of it that a test may damage."""

import shutil
from pathlib import Path

import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.support.workspace_tables import Whole, every_table
from tests.validation.seasons import QUIET, ingest
from transforms.config.workspace import Workspace
from transforms.storage.run_log import RunLog


@pytest.fixture(scope="session")
def whole(tmp_path_factory) -> Whole:
    """A small ingested season with overlapping logs, so that some rows are repeated."""
    workspace = write_demo(tmp_path_factory.mktemp("damage") / "w", machines=2, days=2, seed=3, hz=0.02, reporter=QUIET)
    log = workspace.inbox / "log_one_M01_w1.csv"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[: len(lines) * 7 // 10]))
    (workspace.inbox / "log_one_M01_w2.csv").write_bytes(b"".join([*lines[:2], *lines[len(lines) // 2 :]]))
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
