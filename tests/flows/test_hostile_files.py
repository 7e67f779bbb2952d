"""Commands on files that crash the reader: one sentence and an exit code, and the doctor lists the files."""

import datetime as dt
import importlib
import json
from pathlib import Path

import pytest

from flows.cli import mapping_dialog
from tests.support.program import taretrace_here as taretrace
from transforms.config.workspace import Workspace, init_workspace
from transforms.ingest import isolated_read
from transforms.operations.health import check_workspace


@pytest.fixture
def failing(monkeypatch):
    """Readers that fail on files named after the failure, in reader processes too."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1] / "support"))
    isolated_read.get_reader().close()
    yield importlib.import_module("failing_readers")
    isolated_read.get_reader().close()


@pytest.fixture
def workspace(tmp_path) -> Workspace:
    made = init_workspace(tmp_path / "w")
    (made.mappings / "f.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
    )
    return made


def test_map_of_a_file_that_crashes_the_reader_is_one_sentence(workspace, monkeypatch, failing):
    path = workspace.root / "abort.csv"
    path.write_text("id,b\n1,2\n")
    monkeypatch.setattr(mapping_dialog, "sniff", failing.look)
    ran = taretrace("map", path, "-w", workspace.root, "--no-ask")
    assert (ran.code, ran.err.count("\n"), "Traceback" in ran.err) == (2, 1, False)
    assert str(path) in ran.err


def test_a_preview_that_crashes_the_reader_is_one_sentence(workspace, monkeypatch, failing):
    path = workspace.root / "abort.csv"
    path.write_text('id,boundary\nF1,"POLYGON((0 0,1 0,1 1,0 0))"\nF2,"POLYGON((0 0,1 0,1 1,0 0))"\n')
    monkeypatch.setattr(mapping_dialog, "first_rows", failing.look_first)
    ran = taretrace("map", path, "-w", workspace.root, "--no-ask", "--json", "--answer", "kind=field_boundary")
    assert (ran.code, ran.err.count("Traceback")) == (2, 0), ran.err
    assert "SIGABRT" in ran.err
    assert not (workspace.mappings / "field_boundary_abort.toml").exists()


def test_doctor_status_and_check_list_a_quarantined_file_with_a_remedy(workspace, monkeypatch, failing):
    (workspace.inbox / "leaves.csv").write_text("id,b\n1,2\n")
    monkeypatch.setattr(isolated_read, "read_file", failing.read)
    states = []
    for strict in ([], ["--strict"]):
        ran = taretrace("ingest", workspace.root, "--json", *strict)
        assert ran.code == len(strict), ran.err
        assert json.loads(ran.out)["rows_rejected"] == 1
        (listed,) = [f for f in check_workspace(workspace, dt.datetime.now(dt.UTC)) if "leaves.csv" in f.says.args]
        assert json.loads(listed.says.args)["failure"] == "reader_died"
        assert listed.remedy
        states.append(listed.state)
    assert states == ["note", "wrong"]
    for command in ("status", "check"):
        (failed,) = json.loads(taretrace(command, workspace.root, "--json").out)["failed"]
        assert (failed["file"], failed["reason_code"], failed["in_quarantine"]) == ("leaves.csv", "reader_died", True)
    assert json.loads(taretrace("ingest", workspace.root, "--json").out)["files"] == 0
