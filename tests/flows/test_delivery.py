"""Pages at the end of a command: index, copies in the folder of [publish], the browser, and lines of the service."""

import datetime as dt
import json
import threading
from pathlib import Path
from typing import Self
from zoneinfo import ZoneInfo

import pytest
from prefect.logging import disable_run_logger

from flows.cli import app as cli_app
from flows.pipeline import demo as demo_pipeline
from flows.pipeline import jobs, start, tasks
from flows.pipeline.delivery import deliver_pages
from flows.pipeline.job_result import JobResult
from flows.pipeline.run_context import RunContext, StageResult, perform
from flows.scheduling import announce
from flows.scheduling.announce import announce_runs, describe_run
from flows.stages import pages
from tests.support.program import taretrace_here
from tests.validation.seasons import QUIET
from transforms.config.workspace import Workspace, init_workspace, season_template
from transforms.ingest.file_read import IngestedFile
from transforms.storage.lock import lock_workspace
from transforms.storage.run_log import RunLog

ZONE = ZoneInfo("Europe/Prague")
AT = dt.datetime(2025, 11, 1, 4, 20, tzinfo=dt.UTC)


def workspace_with(root: Path, publish: str = "") -> Workspace:
    text = season_template()
    return init_workspace(root, text.replace("[publish]\n", f"[publish]\n{publish}\n") if publish else text)


def write(path: Path, title: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"<title>{title} · taretrace</title>", "utf-8")
    return path


@pytest.fixture
def shift_page(monkeypatch) -> None:
    """A shift page that needs no tables."""
    monkeypatch.setattr(pages, "publish_shift_page", lambda w, *_: [write(w.out / "shift-2025-10-31.html", "Shift")])


@pytest.fixture
def browser(tmp_path, monkeypatch) -> Path:
    """A browser that notes the addresses it is to open."""
    program, opened = tmp_path / "browser", tmp_path / "opened"
    program.write_text(f'#!/bin/sh\necho "$1" >> {opened}\n')
    program.chmod(0o755)
    monkeypatch.setenv("BROWSER", str(program))
    monkeypatch.setattr("webbrowser._tryorder", None)  # the module reads the variable once in a process
    return opened


@pytest.fixture
def post_shift(monkeypatch) -> None:
    """A post-shift run that needs no flow engine and writes one page."""

    class NoEngine:
        def __init__(self, *_: object, **__: object) -> None:
            pass

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def ready(self) -> None:
            pass

    def run_post_shift(workspace: Workspace, reporter, *_: object) -> JobResult:
        page = write(workspace.out / "shift-2025-10-31.html", "Shift")
        return JobResult([IngestedFile("a.csv", "load")], [page], deliver_pages(workspace, reporter))

    monkeypatch.setattr(cli_app, "Engine", NoEngine)
    monkeypatch.setattr(start, "run_post_shift", run_post_shift)


def published(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.usefixtures("shift_page")
def test_a_report_writes_the_index_and_publishes_all_pages_but_growers_sheets(tmp_path):
    workspace, site = workspace_with(tmp_path / "w", 'folder = "../site"'), tmp_path / "site"
    site.mkdir()
    write(workspace.out / "growers" / "grower-Novak.html", "Novak")
    (workspace.out / "growers" / "grower-Novak.pdf").write_bytes(b"p")
    (workspace.out / "taretrace.xlsx").write_bytes(b"of an export")
    ran = taretrace_here("report", "shift", workspace.root, "--json")
    assert (ran.code, list(json.loads(ran.out))) == (0, ["shift_page", "files"])
    assert "Novak" in (workspace.out / "index.html").read_text("utf-8")
    assert published(site) == {"index.html", "shift-2025-10-31.html"}
    # Not even the name of a grower leaves the workspace with the index.
    assert "Novak" not in (site / "index.html").read_text("utf-8")


def test_growers_sheets_are_published_on_demand_and_withdrawn_again(tmp_path):
    workspace, site = workspace_with(tmp_path / "w", 'folder = "../site"\ngrowers = true'), tmp_path / "site"
    site.mkdir()
    write(workspace.out / "growers" / "grower-Novak.html", "Novak")
    (workspace.out / "growers" / "grower-Novak.pdf").write_bytes(b"p")
    deliver_pages(workspace, QUIET)
    assert published(site) == {"index.html", "growers/grower-Novak.html", "growers/grower-Novak.pdf"}
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text().replace("growers = true", "growers = false"))
    done = deliver_pages(Workspace(workspace.root), QUIET)
    assert done is not None
    assert done.removed == 2
    assert published(site) == {"index.html"}


def test_without_a_folder_nothing_is_published(tmp_path):
    workspace = workspace_with(tmp_path / "w")
    assert deliver_pages(workspace, QUIET) is None
    assert (workspace.out / "index.html").exists()
    assert not workspace.published.exists()


@pytest.mark.usefixtures("shift_page")
def test_a_missing_folder_is_reported_and_the_command_succeeds(tmp_path):
    workspace = workspace_with(tmp_path / "w", 'folder = "../site"')
    ran = taretrace_here("report", "shift", workspace.root)
    assert ran.code == 0
    assert f"{tmp_path / 'site'}: the folder is missing" in ran.err
    assert not (tmp_path / "site").exists()


def _deliver(run: RunContext) -> None:
    run.published = deliver_pages(run.workspace, run.reporter)


def test_a_job_delivers_its_pages(tmp_path, monkeypatch):
    workspace = workspace_with(tmp_path / "w", 'folder = "../site"')
    (tmp_path / "site").mkdir()
    page = write(workspace.out / "shift.html", "Shift")
    monkeypatch.setitem(jobs.JOBS, "post-shift", lambda _: [StageResult("write shift page", (page,))])
    monkeypatch.setattr(tasks, "deliver_pages", lambda **_: perform("deliver", _deliver))
    with disable_run_logger():
        done = jobs.run_job("post-shift", workspace, QUIET)
    assert done.pages == [page]
    assert done.published is not None
    assert (done.published.pages, done.published.fault) == (2, None)


def test_no_page_is_written_while_another_run_has_locked_the_workspace(tmp_path):
    workspace = workspace_with(tmp_path / "w")
    with lock_workspace(workspace.root, "post-shift"):
        assert taretrace_here("report", "what-if", workspace.root).code == 2
        assert taretrace_here("trial", "plan", workspace.root).code == 2


@pytest.mark.usefixtures("shift_page")
def test_a_report_opens_its_page(tmp_path, browser):
    workspace = workspace_with(tmp_path / "w")
    assert taretrace_here("report", "shift", workspace.root, "--open", "--json").code == 0
    assert browser.read_text().split() == [(workspace.out / "shift-2025-10-31.html").as_uri()]


@pytest.mark.parametrize(("only", "name"), [((), "index.html"), (("--only", "G1"), "growers/grower-G1.html")])
def test_one_growers_sheet_is_opened_and_of_several_the_index(tmp_path, monkeypatch, browser, only, name):
    workspace = workspace_with(tmp_path / "w")
    sheet = workspace.out / "growers" / "grower-G1.html"
    monkeypatch.setattr(pages, "publish_grower_sheets", lambda *_: [write(sheet, "G1")])
    assert taretrace_here("report", "grower", workspace.root, *only, "--open").code == 0
    assert browser.read_text().split() == [(workspace.out / name).as_uri()]


@pytest.mark.usefixtures("post_shift")
def test_a_run_opens_the_index(tmp_path, browser):
    workspace = workspace_with(tmp_path / "w")
    ran = taretrace_here("post-shift", workspace.root, "--open", "--json")
    assert ran.code == 0, ran.err
    assert json.loads(ran.out)["index"] == str(workspace.out / "index.html")
    assert browser.read_text().split() == [(workspace.out / "index.html").as_uri()]


@pytest.mark.usefixtures("post_shift")
def test_the_demo_opens_the_index(tmp_path, browser, monkeypatch):
    monkeypatch.setattr(demo_pipeline, "write_demo", lambda folder, **_: workspace_with(folder))
    ran = taretrace_here("demo", tmp_path / "demo", "--open", "--json")
    assert ran.code == 0, ran.err
    assert browser.read_text().split() == [(tmp_path / "demo" / "out" / "index.html").as_uri()]


@pytest.mark.usefixtures("shift_page")
def test_without_a_browser_the_page_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr("webbrowser.open", lambda _: False)
    workspace = workspace_with(tmp_path / "w")
    ran = taretrace_here("report", "shift", workspace.root, "--open")
    assert ran.code == 0
    assert str(workspace.out / "shift-2025-10-31.html") in ran.err


RUN = {"at": AT, "job": "post-shift", "event": "ended", "reason_code": "completed", "files": 4, "rows_accepted": 12_340}


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"pages": 2}, ["05:20 post-shift", "4 new files, 12,340 rows", "2 pages"]),
        ({"pages": 2, "published_in": "/site", "sent": 2}, ["published in /site", "sent to 2 addresses"]),
        ({"alarms": [{"says": "M1 is silent"}], "undelivered": ["address 1 failed"]}, ["M1 is silent; address 1"]),
        ({"event": "failed", "says": "the disk is full"}, ["05:20 post-shift: failed: the disk is full"]),
        ({"reason_code": "caught_up", "says": "already done"}, ["05:20 post-shift: already done"]),
    ],
)
def test_the_line_of_a_run(more, expected):
    line = describe_run(RUN | more, ZONE)
    assert "\n" not in line
    assert all(text in line for text in expected)


def test_each_run_that_ends_is_announced_once(tmp_path, monkeypatch):
    monkeypatch.setattr(announce, "POLL_S", 0.01)
    log, lines, stop, both = RunLog(tmp_path), [], threading.Event(), threading.Event()
    starts = RunLog(tmp_path, lambda: AT)

    def say(line: str) -> None:
        lines.append(line)
        if len(lines) == 2:
            both.set()

    starts.write("post-shift", "ended", says="before the service started", files=1)
    watching = threading.Thread(target=announce_runs, args=(starts, starts.clock(), ZONE, say, stop))
    watching.start()
    log.write("post-shift", "began")
    log.write("post-shift", "ended", files=2)
    log.write("nightly-refit", "failed", says="the disk is full")
    assert both.wait(30)
    stop.set()
    watching.join(30)
    assert ["2 new files" in lines[0], "disk is full" in lines[1], len(lines)] == [True, True, 2]
