"""Every command on a workspace that lacks data ends with a result or one sentence, never with an internal error."""

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.support.program import Ran, taretrace_here
from tests.validation.seasons import QUIET, ingest
from transforms.config.workspace import Workspace, init_workspace
from transforms.errors import WorkspaceError
from transforms.storage.warehouse import Warehouse

LOAD = "LOAD"
COMMANDS = (
    "report shift",
    "report season",
    "report fleet",
    "report followed",
    "report grower",
    "report guide",
    "report what-if",
    f"report load {LOAD}",
    "report load X",
    "report texts",
    "what-if",
    "piles",
    "benchmark",
    "trial plan",
    "trial plan --setting share_depth_cm --machine M01",
    "trial read T001",
    "vary plan",
    "vary read V001",
    f"explain load {LOAD} -w",
    "status",
    "export",
    "rejected",
    "check",
    "report shift --pdf --xlsx",
    "fit",
    "advise",
    "report shift",
    "ingest",
)
"""Commands in order: those that change the workspace come last."""
LISTS = ("fields.csv", "machines.csv", "outlines.geojson")
HOLDS = {
    "lists": lambda name: name in LISTS,
    "no telemetry": lambda name: not name.startswith("log_"),
    "no tares": lambda name: name != "tares.xlsx",
    "no lists": lambda name: name not in LISTS,
}


def through_every_stage(workspace: Workspace) -> None:
    ingest(workspace)
    stages.assess_storability(workspace, QUIET)
    fits = stages.fit_responses(workspace, QUIET)
    stages.check_fits(workspace, fits, QUIET)
    stages.compare_subjects(workspace, fits, QUIET)
    stages.advise_machines(workspace, fits, QUIET)
    stages.compute_guide(workspace, fits, QUIET)


def made(folder: Path, holds: str) -> Workspace:
    """Return a workspace without data, with files only ("not ingested"), or with all results on some files."""
    if holds == "nothing":
        return init_workspace(folder)
    workspace = write_demo(folder, machines=2, days=2, seed=3, hz=0.05, reporter=QUIET)
    for file in workspace.inbox.iterdir():
        if holds in HOLDS and not HOLDS[holds](file.name):
            file.unlink()
    if holds in HOLDS:
        through_every_stage(workspace)
    return workspace


def is_wrong(ran: Ran) -> bool:
    one_sentence = ran.err.startswith("taretrace: ") and ran.err.count("\n") == 1
    return not (ran.code == 0 or (ran.code == 2 and one_sentence))


MORE = [
    pytest.param(holds, marks=pytest.mark.slow)
    for holds in ("not ingested", "lists", "no tares", "no telemetry", "no lists")
]


@pytest.mark.parametrize("holds", ["nothing", *MORE])
def test_a_command_on_a_workspace_that_lacks_data_is_never_an_internal_error(tmp_path, holds):
    workspace = made(tmp_path / "w", holds)
    load = "X"
    if workspace.warehouse.exists():
        with stages.open_warehouse(workspace) as warehouse:
            load = next(iter(warehouse.table("load")["load_id"]), "X")
    wrong = {}
    for command in COMMANDS:
        ran = taretrace_here(*command.replace(LOAD, load).split(), workspace.root)
        if is_wrong(ran):
            wrong[command] = ran.err
    assert wrong == {}


def test_a_workspace_whose_files_are_ingested_but_not_computed_is_sent_to_the_whole_job(tmp_path):
    """As after an upgrade, which drops computed tables but keeps the record of files."""
    workspace = Workspace(tmp_path)
    with Warehouse.in_memory() as warehouse:
        with pytest.raises(WorkspaceError) as empty:
            stages.require_facts(warehouse, workspace)
        file = {"source_sha256": "a" * 64, "file": "a.csv", "header": "", "rows_in": 1, "rows_accepted": 1}
        schema = warehouse.table("source_file").schema
        known = {name: file.get(name) for name in schema} | {"rows_rejected": 0, "rows_repeated": 0}
        times = {n: dt.datetime(2025, 10, 1, tzinfo=dt.UTC) for n, t in schema.items() if isinstance(t, pl.Datetime)}
        warehouse.append("source_file", pl.DataFrame([{**known, **times}], schema=schema))
        with pytest.raises(WorkspaceError) as upgraded:
            stages.require_facts(warehouse, workspace)
    assert "taretrace ingest" in empty.value.remedy
    assert "taretrace post-shift" in upgraded.value.remedy
