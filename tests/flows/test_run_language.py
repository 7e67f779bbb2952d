"""Notifications, the log and the lines of the service are in the workspace's language, one line per run."""

import datetime as dt
import json
import threading
import time
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import pytest

from flows.pipeline.job_result import JobResult
from flows.runtime.language import workspace_language
from flows.scheduling import announce, service
from flows.scheduling import run as scheduled_run
from flows.scheduling.run import run_scheduled
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, slots
from reports.language.translate import locale
from tests.support.mailbox import web_server
from tests.support.pseudo_language import bare, bracketed_workspace
from transforms.config.workspace import Workspace
from transforms.contracts.reason import reason
from transforms.errors import WorkspaceError
from transforms.ingest.file_read import IngestedFile
from transforms.operations.alarms import Alarm
from transforms.operations.publish import Publication, PublishFault
from transforms.storage.run_log import RunLog

BAD = IngestedFile("b.csv", "tare", rows_in=1000, rows_accepted=800, rows_rejected=200)


@pytest.fixture
def german(tmp_path: Path) -> Workspace:
    return bracketed_workspace(tmp_path / "season")


def ended(monkeypatch: pytest.MonkeyPatch, workspace: Workspace, outcome: JobResult | Exception) -> dict[str, object]:
    """Run a job with an outcome, and return its last line in the log."""

    def job(*_: object) -> JobResult:
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    monkeypatch.setattr(scheduled_run, "run_job", job)
    run_scheduled(COMPARE, workspace)
    line = RunLog(workspace.log).last(COMPARE, "failed" if isinstance(outcome, Exception) else "ended")
    assert line is not None
    return line


def test_a_message_with_alarms_is_in_the_language_of_the_workspace(monkeypatch, german):
    fault = PublishFault("missing", reason("publish_folder_missing"), reason("publish_folder_missing_remedy"))
    with web_server() as (port, received):
        toml = german.root / "season.toml"
        to = f'[notify]\nto = ["json://127.0.0.1:{port}/"]\n'
        toml.write_text(toml.read_text("utf-8").replace("[notify]\n", to, 1), "utf-8")
        line = ended(monkeypatch, Workspace(german.root), JobResult([BAD], [], Publication(Path("/site"), fault=fault)))
    (body,) = received
    alarms = [text.removeprefix("- ") for text in body["message"].splitlines() if text]
    assert [bare(text) for text in alarms] == ["", ""]
    assert "20,0" in alarms[0]
    assert [(a["reason_code"], bare(a["says"])) for a in cast("list[dict[str, str]]", line["alarms"])] == [
        ("rejected_rows", ""),
        ("unpublished", ""),
    ]


@pytest.mark.parametrize(
    "problem",
    [
        OSError(28, "No space left on device"),
        OSError(5, "Input/output error"),
        ValueError("x"),
        WorkspaceError("there is no season.toml", where="/w", remedy="run 'taretrace init' on the folder first"),
    ],
)
def test_a_failure_is_logged_in_the_language_of_the_workspace(monkeypatch, german, problem):
    assert bare(str(ended(monkeypatch, german, problem)["says"])) == ""


def test_the_language_of_a_run_ends_with_it(monkeypatch, german):
    ended(monkeypatch, german, JobResult([BAD]))
    assert locale().language == "en"


def test_an_error_keeps_its_values_in_another_process():
    import pickle  # noqa: PLC0415

    problem = WorkspaceError("no load '{load}'", where="{here}", remedy="choose {other}", load="{T1}", other="one")
    again = pickle.loads(pickle.dumps(problem))  # noqa: S301
    assert str(again) == str(problem) == "no load '{T1}' in {here}: choose one"
    assert (again.texts, again.values) == (problem.texts, problem.values)


def test_the_service_prints_its_schedule_and_one_line_per_run(monkeypatch, german):
    monkeypatch.setattr(announce, "POLL_S", 0.01)
    monkeypatch.setattr(service, "deployments", lambda *_: [])
    monkeypatch.setattr(service, "find_missed_jobs", lambda *_: [REFIT])
    started: list[str] = []
    monkeypatch.setattr(service, "start_run", lambda job, *_: started.append(job))
    lines: list[str] = []
    stop = threading.Event()

    def print_line(line: str) -> None:
        lines.append(line)
        if len(lines) == planned:
            time.sleep(0.002)  # the times of the log are whole milliseconds
            log.write(POST_SHIFT, "ended", files=1, rows_accepted=5, pages=2)
        if len(lines) > planned:
            stop.set()

    planned = len(slots(german.season))
    log = RunLog(german.log)
    with workspace_language(german.root):
        service.serve(german, "a pool", print_line, stop)
    assert started == [REFIT]
    assert len(lines) == planned + 1
    assert [bare(line) for line in lines[:planned]] == [""] * planned
    assert sum("missed" in line for line in lines) == 1
    assert bare(lines[-1]).split(": ", 1)[1] == ", , "


@pytest.mark.parametrize(("n", "form"), [(1, "1 new file,"), (2, "2 new files,")])
def test_counts_of_a_line_take_their_form(n, form):
    entry = {"at": dt.datetime(2025, 11, 1, tzinfo=dt.UTC), "job": POST_SHIFT, "event": "ended", "files": n}
    assert form in announce.describe_run(entry, ZoneInfo("UTC"))


def test_new_files_start_a_run_without_a_line(monkeypatch, german, capsys):
    toml = german.root / "season.toml"
    toml.write_text(toml.read_text("utf-8").replace("new_files_every_min = 5", "new_files_every_min = 0.0001"), "utf-8")
    stop, started = threading.Event(), []
    (german.inbox / "old.csv").write_text("a")

    def start(job: str) -> None:
        started.append(job)
        stop.set()

    monkeypatch.setattr(service.InboxWatch, "new_files", lambda _: 1)
    service.watch(Workspace(german.root), stop, start)
    captured = capsys.readouterr()
    assert (started, captured.out, captured.err) == ([POST_SHIFT], "", "")


def test_alarms_of_earlier_programs_are_not_sent_again(monkeypatch, german):
    old = {"kind": "rejected_rows", "subject": "tare", "says": "20 of 100 rows of tare were rejected (20.0 %)"}
    RunLog(german.log).write("notify", scheduled_run.NOTIFIED, standing=[old])
    sent: list[int] = []

    def accept(fresh: list[Alarm], *_: object) -> list[str]:
        sent.append(len(fresh))
        return []

    monkeypatch.setattr(scheduled_run, "notify", accept)
    ended(monkeypatch, german, JobResult([BAD]))
    assert sent == [0]
    last = RunLog(german.log).last("notify", scheduled_run.NOTIFIED)
    assert last is not None
    assert json.dumps(last["standing"]) == json.dumps([{"kind": "rejected_rows", "subject": "tare"}])
