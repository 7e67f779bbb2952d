"""The command `serve`: with its own server, and with the workers of a pool on a server with PostgreSQL."""

import contextlib
import json
import re
import shutil
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flows.pipeline.demo import write_demo
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT
from tests.support.program import PROGRAM, taretrace
from tests.support.servers import postgres, postgres_programs, prefect_server, running, until
from tests.validation.seasons import QUIET
from transforms.config.workspace import Workspace
from transforms.storage.run_log import RunLog
from transforms.storage.warehouse import Warehouse


@pytest.fixture(scope="module")
def begun(tmp_path_factory, prefect_home) -> Workspace:
    """An ingested season whose inbox is scanned every second; no job is scheduled."""
    folder = tmp_path_factory.mktemp("begun") / "season"
    workspace = write_demo(folder, machines=2, days=3, seed=3, hz=0.05, reporter=QUIET)
    toml = folder / "season.toml"
    text = toml.read_text().replace("new_files_every_min = 5", "new_files_every_min = 0.02\nafter_shift = []")
    toml.write_text(text.replace('refit = "02:00"', 'refit = ""').replace('compare = "Mon 03:00"', 'compare = ""'))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PREFECT_HOME", str(prefect_home))
        assert taretrace("post-shift", folder, "--json").code == 0
    return workspace


def copy_of(workspace: Workspace, folder: Path) -> Workspace:
    return Workspace(Path(shutil.copytree(workspace.root, folder)))


def schedule(workspace: Workspace, line: str) -> None:
    toml = workspace.root / "season.toml"
    key = line.split(" = ", maxsplit=1)[0]
    text = [line if row.startswith(f"{key} =") else row for row in toml.read_text().splitlines()]
    toml.write_text("\n".join(text))


@contextlib.contextmanager
def serving(workspace: Workspace, env: dict[str, str], *words: str) -> Iterator[Path]:
    log = workspace.root.parent / "serve.log"
    with running(*PROGRAM, "serve", str(workspace.root), *words, env=env, log=log) as process:
        until(lambda: "Serving" in log.read_text() or process.poll() is not None, "serve")
        yield log
    assert "Stopped." in log.read_text()
    assert "Traceback" not in log.read_text()


def ends(workspace: Workspace, job: str, event: str = "ended") -> list[dict[str, Any]]:
    return [line for line in RunLog(workspace.log).lines() if line["job"] == job and line["event"] == event]


def drop_ticket_file(workspace: Workspace) -> str:
    """Add a corrected copy of a ticket file, without its last line, to the inbox; return its name."""
    ticket = min(p for p in workspace.inbox.iterdir() if "ticket" in p.name and p.suffix == ".csv")
    again = workspace.inbox / f"{ticket.stem}-2.csv"
    again.write_bytes(b"".join(ticket.read_bytes().splitlines(keepends=True)[:-1]))
    return again.name


@pytest.mark.slow
def test_without_a_server_new_files_are_ingested_and_missed_jobs_run_once(begun, tmp_path, prefect_home):
    workspace = copy_of(begun, tmp_path / "season")
    # The last run was a month ago: every night since then was missed.
    log = RunLog(workspace.log)
    log.write(POST_SHIFT, "ended", began_at="2026-01-01T00:00:00+00:00", due=None)
    schedule(workspace, 'refit = "00:00"')
    with serving(workspace, {"PREFECT_HOME": str(prefect_home)}) as out:
        until(lambda: bool(ends(workspace, REFIT)), "the missed refit")
        before = len(ends(workspace, POST_SHIFT))
        name = drop_ticket_file(workspace)
        until(lambda: len(ends(workspace, POST_SHIFT)) == before + 1, "the run on new files")
    assert len(ends(workspace, REFIT)) == len(ends(workspace, REFIT, "began")) == 1
    lines = [line.split(" ", 1)[1] for line in out.read_text().splitlines() if re.match(r"\d\d:\d\d ", line)]
    assert [line.split(":")[0] for line in lines] == ["nightly-refit", "post-shift"]  # one line per run
    assert len([line for line in out.read_text().splitlines() if "was missed" in line]) == 1
    assert ends(workspace, POST_SHIFT)[0]["files"] == 1
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        assert name in warehouse.table("source_file")["file"].to_list()
    assert not ends(workspace, COMPARE)


def states_and_artifacts(api: str) -> tuple[list[tuple[str, str, str]], list[dict[str, Any]]]:
    """Return every flow run (flow, state type, state name) and every artifact of a server."""
    import httpx  # noqa: PLC0415

    flows = {f["id"]: f["name"] for f in httpx.post(f"{api}/flows/filter", json={}).json()}
    runs = httpx.post(f"{api}/flow_runs/filter", json={}).json()
    seen = [(flows[r["flow_id"]], r["state_type"], r["state_name"]) for r in runs]
    return seen, httpx.post(f"{api}/artifacts/filter", json={}).json()


def graph(api: str, run: str) -> dict[str, set[str]]:
    """Return the tasks of a run, each with the tasks that it waits for."""
    import httpx  # noqa: PLC0415

    nodes = [node for _, node in httpx.get(f"{api}/flow_runs/{run}/graph-v2").json()["nodes"]]
    labels = {node["id"]: node["label"] for node in nodes}
    return {node["label"]: {labels[p["id"]] for p in node["parents"]} for node in nodes}


EDGES = {
    "receive files": set(),
    "bin telemetry": {"receive files"},
    "trace loads": {"bin telemetry"},
    "compute conditions": {"receive files"},
    "build marts": {"trace loads", "compute conditions"},
    "assess uptake": {"build marts"},
    "assess storability": {"build marts"},
    "fit responses": {"assess uptake", "assess storability"},
    "check fits": {"fit responses"},
    "compare subjects": {"fit responses"},
    "advise machines": {"fit responses"},
    "compute guide": {"fit responses"},
    "write shift page": {
        *("check fits", "compare subjects", "advise machines", "compute guide"),
        *("assess uptake", "assess storability"),
    },
    "deliver pages": {"write shift page"},
}


@pytest.mark.slow
def test_the_server_shows_graph_names_logs_and_artifacts_and_reports_a_failed_run(begun, tmp_path, prefect_home):
    import httpx  # noqa: PLC0415

    workspace, alarm = copy_of(begun, tmp_path / "season"), tmp_path / "alarm.json"
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text().replace("[notify]", f'[notify]\ncommand = "cp /dev/stdin {alarm}"'))
    with prefect_server(prefect_home) as api, serving(workspace, {"PREFECT_API_URL": api}) as out:
        time.sleep(2)
        drop_ticket_file(workspace)
        until(lambda: any(a["key"] == POST_SHIFT for a in states_and_artifacts(api)[1]), "the run on new files")
        until(lambda: bool(_finished(api, "COMPLETED")), "its state")
        (run,) = _finished(api, "COMPLETED")
        edges = graph(api, run["id"])
        logs = httpx.post(f"{api}/logs/filter", json={"logs": {"flow_run_id": {"any_": [run["id"]]}}}).json()
        # A run without mappings fails; the automation of the deployment reports it.
        (workspace.root / "mappings").rename(tmp_path / "mappings")
        (workspace.root / "mappings").mkdir()
        drop_ticket_file(workspace)
        until(lambda: bool(_finished(api, "FAILED")), "the failed run")
        until(alarm.exists, "its report")
        text = out.read_text()
    assert edges == EDGES
    assert run["name"].startswith(f"{workspace.season.name} 20")
    assert run["state_name"] == "Completed"
    assert run["parameters"] == {"workspace": str(workspace.root)}
    assert {"taretrace", POST_SHIFT} < {*run["tags"]}
    assert len(logs) > len(EDGES)
    assert "prefect" not in text.lower()  # the console is quiet
    assert [a["kind"] for a in json.loads(alarm.read_text())["alarms"]] == ["failed_run"]


def _finished(api: str, state: str) -> list[dict[str, Any]]:
    import httpx  # noqa: PLC0415

    wanted = {"flow_runs": {"state": {"type": {"any_": [state]}}}, "flows": {"name": {"any_": [POST_SHIFT]}}}
    runs: list[dict[str, Any]] = httpx.post(f"{api}/flow_runs/filter", json=wanted).json()
    return runs


@pytest.mark.slow
def test_workers_of_a_pool_run_the_schedule_on_a_server_that_keeps_its_state_in_postgresql(begun, tmp_path):
    programs = postgres_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed, and this user may not install it")
    workspace = copy_of(begun, tmp_path / "season")
    home = tmp_path / "home"
    with (
        postgres(programs) as database,
        prefect_server(home, {"PREFECT_SERVER_DATABASE_CONNECTION_URL": database}) as api,
    ):
        env = {"PREFECT_API_URL": api, "PREFECT_HOME": str(home)}
        prefect = [sys.executable, "-m", "prefect"]
        with running(*prefect, "work-pool", "create", "fleet", "--type", "process", env=env) as made:
            assert made.wait(60) == 0
        with (
            running(*prefect, "worker", "start", "--pool", "fleet", env=env, log=tmp_path / "worker.log"),
            serving(workspace, env, "--pool", "fleet"),
        ):
            time.sleep(2)
            before = len(ends(workspace, POST_SHIFT))
            drop_ticket_file(workspace)
            until(lambda: len(ends(workspace, POST_SHIFT)) > before, "the worker's run")
            until(lambda: any(n == "Completed" for _, _, n in states_and_artifacts(api)[0]), "its state")
            seen, artifacts = states_and_artifacts(api)
    assert ("post-shift", "COMPLETED", "Completed") in seen
    by_key = {a["key"]: a["data"] for a in artifacts}
    assert [row["kind"] for row in json.loads(by_key[f"{POST_SHIFT}-files"])] == ["load"]
    assert "shift" in by_key[POST_SHIFT]
    assert not (home / "prefect.db").exists()
