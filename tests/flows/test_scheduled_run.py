"""Outcomes of a scheduled run, their states, and the notifications they send."""

import http.server
import importlib
import json
import shutil
import sys
import threading
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from flows.pipeline.job_result import JobResult
from flows.scheduling import run as scheduled_run
from flows.scheduling.notify import notify, select_new_alarms
from flows.scheduling.run import (
    COMPLETED,
    DATA_ISSUE,
    ENDED_WELL,
    INTERNAL,
    MODEL_CHECK,
    SYSTEM,
    WRONG_WORKSPACE,
    run_scheduled,
)
from flows.scheduling.schedule import POST_SHIFT
from reports.language.reason_text import format_reason
from tests.support.program import taretrace_here
from tests.support.workspace_tables import assert_same, every_table
from tests.validation.seasons import QUIET
from transforms.config.runtime import Notify
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.reason import reason
from transforms.errors import ConsistencyError, WorkspaceError
from transforms.ingest import isolated_read
from transforms.ingest.file_read import IngestedFile
from transforms.ingest.read_file import read_file
from transforms.operations.alarms import Alarm, alarms
from transforms.storage.run_log import RunLog
from transforms.storage.warehouse import Warehouse

GOOD = IngestedFile("a.csv", "load", rows_in=100, rows_accepted=99, rows_rejected=1)
BAD = IngestedFile("b.csv", "tare", rows_in=100, rows_accepted=80, rows_rejected=20)


@pytest.fixture
def workspace(tmp_path) -> Workspace:
    return init_workspace(tmp_path / "season")


def logged_last(workspace: Workspace, event: str) -> dict[str, Any]:
    """Return the last line of an event of the post-shift run."""
    line = RunLog(workspace.log).last(POST_SHIFT, event)
    assert line is not None
    return line


def run(monkeypatch, workspace: Workspace, outcome):
    def job(*_):
        if isinstance(outcome, Exception):
            raise outcome
        return JobResult(outcome, [])

    monkeypatch.setattr(scheduled_run, "run_job", job)
    return run_scheduled(POST_SHIFT, workspace)


@pytest.mark.parametrize(
    ("outcome", "name"),
    [
        ([GOOD], COMPLETED),
        ([GOOD, BAD], DATA_ISSUE),
        ([GOOD, IngestedFile("c.csv", None, failed="KeyError: 'x'")], INTERNAL),
        (WorkspaceError("a", where="b", remedy="c"), WRONG_WORKSPACE),
        (OSError(28, "No space left on device"), SYSTEM),
        (ValueError("grower 17 lost 5 t"), INTERNAL),
    ],
)
def test_the_state_of_a_run_separates_data_issues_from_internal_errors(monkeypatch, workspace, outcome, name):
    ended = run(monkeypatch, workspace, outcome)
    assert ended.name == name
    logged = logged_last(workspace, "ended" if name in {COMPLETED, DATA_ISSUE} else "failed")
    assert logged["state"] == name


WHY = reason("placebo_with_effect")
CHECK = {"response": "dirt_tare_pct", "check": "placebo", "passed": False, **WHY.columns}


def run_with_failed_check(monkeypatch, workspace: Workspace, received):
    """Run a job that stores a failed model check."""

    def job(*_):
        with Warehouse(workspace.warehouse) as warehouse:
            checks = warehouse.table("fit_check")
            row = pl.DataFrame([CHECK], schema={c: checks.schema[c] for c in CHECK})
            warehouse.replace("fit_check", pl.concat([checks.clear(), row], how="diagonal"))
        return JobResult(received, [])

    monkeypatch.setattr(scheduled_run, "run_job", job)
    return run_scheduled(POST_SHIFT, workspace)


def test_a_failed_model_check_is_neither_a_data_issue_nor_an_internal_error(monkeypatch, workspace):
    ended = run_with_failed_check(monkeypatch, workspace, [GOOD])
    assert ended.name == MODEL_CHECK
    assert ended.name in ENDED_WELL
    assert [(a.kind, a.subject) for a in ended.alarms] == [("failed_check", "dirt_tare_pct placebo")]
    assert json.loads(ended.alarms[0].why.args)["why"]["code"] == WHY.code
    assert logged_last(workspace, "ended")["reason_code"] == "model_check_failed"


def test_a_data_issue_takes_precedence_over_a_failed_check_and_both_are_reported(monkeypatch, workspace):
    ended = run_with_failed_check(monkeypatch, workspace, [GOOD, BAD])
    assert ended.name == DATA_ISSUE
    assert [a.kind for a in ended.alarms] == ["rejected_rows", "failed_check"]
    assert logged_last(workspace, "ended")["reason_code"] == "data_issue"


def test_tables_that_contradict_each_other_are_an_internal_error_that_names_the_check(monkeypatch, workspace):
    ended = run(monkeypatch, workspace, ConsistencyError("shares_sum_to_one", 3))
    assert ended.name == INTERNAL
    assert "shares_sum_to_one" in ended.says
    assert logged_last(workspace, "failed")["reason_code"] == "internal_error"


def test_a_check_of_stored_tables_raises_the_error_that_names_it(monkeypatch, workspace):
    with Warehouse(workspace.warehouse) as warehouse:
        shares = warehouse.table("variance_share")
        share = {"response": "dirt_tare_pct", "source": "field", "kind": "k", "share": 0.5}
        row = pl.DataFrame([{**share, **reason("share_of_variance").columns}])
        warehouse.replace("variance_share", pl.concat([shares.clear(), row], how="diagonal_relaxed"))
        monkeypatch.setattr("flows.stages.context.sql_names", lambda _: ["variance_shares_sum_to_one"])
        with pytest.raises(ConsistencyError) as problem:
            stages.run_checks(warehouse)
    assert (problem.value.check, problem.value.rows) == ("variance_shares_sum_to_one", 1)


def test_no_content_of_a_file_reaches_the_log_or_the_state(monkeypatch, workspace):
    ended = run(monkeypatch, workspace, ValueError("grower 17 lost 5 t"))
    assert "ValueError at test_scheduled_run.py:" in ended.says
    assert "grower" not in ended.says
    assert "grower" not in "".join(p.read_text() for p in workspace.log.iterdir())


def test_a_later_run_for_the_same_due_time_is_skipped(monkeypatch, workspace):
    first = run(monkeypatch, workspace, [GOOD])
    due = logged_last(workspace, "began")["at"]
    monkeypatch.setattr(scheduled_run, "run_job", lambda *_: pytest.fail("it ran again"))
    assert first.name == COMPLETED
    assert run_scheduled(POST_SHIFT, workspace, due).name == "Caught up"


def test_an_alarm_is_sent_once_and_again_if_it_recurs(monkeypatch, workspace):
    sent = []

    def accept(fresh: list[Alarm], *_: object) -> list[str]:
        sent.append([a.subject for a in fresh])
        return []

    monkeypatch.setattr(scheduled_run, "notify", accept)
    for received in ([BAD], [BAD], [GOOD], [BAD]):
        run(monkeypatch, workspace, received)
    assert sent == [["tare"], [], [], ["tare"]]


def test_an_undelivered_alarm_is_sent_by_the_next_run(monkeypatch, workspace):
    answers, sent = iter([["the webhook did not accept the alarms"], []]), []

    def answer(fresh: list[Alarm], *_: object) -> list[str]:
        sent.append(len(fresh))
        return next(answers)

    monkeypatch.setattr(scheduled_run, "notify", answer)
    run(monkeypatch, workspace, [BAD])
    run(monkeypatch, workspace, [BAD])
    assert sent == [1, 1]


def silent(machine: str, hours: float) -> Alarm:
    return Alarm("silent_machine", machine, reason("silent_machine", machine_id=machine, hours=hours))


def test_only_new_alarms_are_sent():
    one, two = silent("M1", 40.0), silent("M2", 50.0)
    assert select_new_alarms([one, two], {("silent_machine", "M1")}) == [two]


class _Hook(http.server.BaseHTTPRequestHandler):
    got: list[dict[str, Any]] = []  # noqa: RUF012

    def do_POST(self):
        self.got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


def test_a_webhook_and_a_command_receive_alarms_as_json_without_a_shell(tmp_path):
    alarm = silent("M1; touch /tmp/harm $(harm)", 40.0)
    server = http.server.HTTPServer(("127.0.0.1", 0), _Hook)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    received = tmp_path / "alarms.json"
    script = tmp_path / "hook.py"
    script.write_text("import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.stdin.read())")
    try:
        to = Notify(
            command=f"{sys.executable} {script} {received}", webhook=f"http://127.0.0.1:{server.server_port}/alarms"
        )
        assert notify([alarm], "Season", "/w", POST_SHIFT, to) == []
        assert notify([], "Season", "/w", POST_SHIFT, to) == []
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert len(_Hook.got) == 1
    assert json.loads(received.read_text()) == _Hook.got[0]
    row = {"kind": alarm.kind, "subject": alarm.subject, **alarm.why.columns, "says": format_reason(alarm.why)}
    assert _Hook.got[0]["alarms"] == [row]


def test_a_failed_notification_is_reported_and_stops_nothing():
    to = Notify(command="/no/such/program", webhook="http://127.0.0.1:9/")
    wrong = notify([Alarm("stale_tares", "tares", reason("stale_tares", hours=48.0))], "Season", "/w", POST_SHIFT, to)
    assert [w.split(" did")[0] for w in wrong] == ["the command", "the webhook"]


@pytest.mark.slow
def test_a_silent_machine_and_late_tares_are_found_by_the_clock_of_the_fleet(tmp_path):
    quiet = write_demo(tmp_path / "season", machines=4, days=4, seed=3, hz=0.02, reporter=QUIET)
    assert taretrace_here("ingest", quiet.root, "--json").code == 0
    with Warehouse(quiet.warehouse) as warehouse:
        assert alarms(warehouse, [], Notify(silent_machine_h=36, stale_tares_h=48)) == []
        last = warehouse.table("machine_day").filter(machine_id="M01")["day"].sort()
        for day in last[-2:]:
            warehouse.delete_day("machine_day", "M01", day)
        files = warehouse.table("source_file").filter(kind="tare")
        for sha in files["source_sha256"]:
            warehouse.delete_source(sha)
        found = alarms(warehouse, [], Notify(silent_machine_h=36, stale_tares_h=48))
    kinds = {a.kind: a for a in found}
    assert kinds["silent_machine"].subject == "M01"
    assert "stale_tares" in kinds


@pytest.fixture
def failing(monkeypatch):
    """Readers that fail on files named after the failure, in reader processes too."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1] / "support"))
    isolated_read.get_reader().close()
    yield importlib.import_module("failing_readers")
    isolated_read.get_reader().close()


@pytest.mark.slow
def test_a_file_that_an_internal_error_stops_is_rejected_and_taken_by_the_next_run(tmp_path, monkeypatch, failing):
    clean = write_demo(tmp_path / "clean", machines=2, days=2, seed=3, hz=0.02, reporter=QUIET)
    log = min(clean.inbox.glob("log_a_*"))
    broken = log.rename(log.with_stem(f"{log.stem}_bug")).name
    season = Workspace(Path(shutil.copytree(clean.root, tmp_path / "season")))
    monkeypatch.setattr(isolated_read, "read_file", failing.read)
    ran = taretrace_here("ingest", season.root, "--json")
    assert ran.code == 3
    assert f"with 1 file ({broken})" in ran.err
    assert "grower" not in ran.err
    with Warehouse.open_read_only(season.warehouse) as warehouse:
        files, rejected = warehouse.table("source_file"), warehouse.table("rejected_row")
    assert files.filter(file=broken)["rows_rejected"].to_list() == [1]
    assert rejected.filter(file=broken)["rule"].to_list() == ["internal_error"]
    assert files.height == len(list(season.inbox.iterdir()))
    monkeypatch.setattr(isolated_read, "read_file", read_file)
    assert taretrace_here("ingest", season.root, "--json").code == 0
    assert taretrace_here("ingest", clean.root, "--json").code == 0
    assert_same(every_table(clean, telemetry=True), every_table(season, telemetry=True))


def test_a_scheduled_run_names_a_file_whose_reader_died_once_and_logs_it(workspace, monkeypatch, failing):
    (workspace.mappings / "log.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
    )
    for name in ("abort", "good"):
        (workspace.inbox / f"{name}.csv").write_text(f"id,b\n{name},POLYGON((0 0,1 0,1 1,0 0))\n")
    sent: list[list[tuple[str, str]]] = []
    monkeypatch.setattr(isolated_read, "read_file", failing.read)

    def accept(fresh: list[Alarm], *_: object) -> list[str]:
        sent.append([(a.kind, a.subject) for a in fresh])
        return []

    monkeypatch.setattr(scheduled_run, "notify", accept)
    monkeypatch.setattr(
        scheduled_run, "run_job", lambda _, place, reporter: JobResult(stages.receive_files(place, reporter), [])
    )
    ended = [run_scheduled(POST_SHIFT, workspace).name for _ in range(3)]
    assert ended == [DATA_ISSUE] * 3
    assert [("failed_read", "abort.csv") in t for t in sent] == [True, False, False]
    failures = [line for line in RunLog(workspace.log).lines() if line.get("file")]
    assert [(line["file"], line["reason_code"]) for line in failures] == [("abort.csv", "reader_died")] * 2


def test_a_panic_anywhere_in_a_scheduled_run_is_an_internal_error(monkeypatch, workspace):
    def panics(*_):
        raise pl.exceptions.PanicException("grower 17")

    monkeypatch.setattr(scheduled_run, "run_job", panics)
    ended = run_scheduled(POST_SHIFT, workspace)
    assert ended.name == INTERNAL
    assert "grower" not in ended.says


def test_a_panic_in_a_command_is_one_sentence(workspace, monkeypatch):
    def panics(*_):
        raise pl.exceptions.PanicException("it broke")

    monkeypatch.setattr(stages, "receive_files", panics)
    ran = taretrace_here("ingest", workspace.root)
    assert ran.code == 3
    assert (ran.err.count("\n"), "Traceback" in ran.err) == (1, False)
