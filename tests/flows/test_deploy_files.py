"""Files of flows/deploy/: checked as written, deployed from a clean checkout, their steps run as processes."""

import contextlib
import json
import os
import re
import shutil
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from flows.pipeline.demo import write_demo
from flows.scheduling import scheduled_flows
from flows.scheduling.schedule import POST_SHIFT, REPORT_FAILURE
from tests.support.program import PROGRAM
from tests.support.servers import (
    answers,
    free_port,
    object_storage,
    postgres,
    postgres_programs,
    prefect_server,
    running,
    until,
)
from tests.validation.seasons import QUIET
from transforms.config.workspace import Workspace
from transforms.storage.lake import Lake
from transforms.storage.run_log import RunLog

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "flows" / "deploy"
COMPOSE: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text("utf-8"))
PREFECT = [sys.executable, "-m", "prefect"]


def instructions() -> list[tuple[str, str]]:
    """Return (instruction, arguments) of the Containerfile, continued lines joined."""
    text = re.sub(r"\\\n\s*", "", (DEPLOY / "Containerfile").read_text("utf-8"))
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [(line.split(" ", 1)[0], line.split(" ", 1)[1]) for line in lines]


def test_the_image_is_pinned_installs_by_hash_and_does_not_run_as_root():
    found = instructions()
    images = [words.split(" ")[0] for name, words in found if name == "FROM"]
    assert all(re.fullmatch(r"[a-z]+:\d[\w.-]+", image) for image in images), images
    runs = [words for name, words in found if name == "RUN"]
    installs = [words for words in runs if "pip install" in words]
    assert all("--require-hashes" in words or "--no-deps ." in words for words in installs)
    assert all("--no-cache-dir" in words for words in installs)
    users = [words for name, words in found if name == "USER"]
    assert users
    assert users[-1] not in {"root", "0"}
    assert "ADD" not in {name for name, _ in found}
    last = found[[name for name, _ in found].index("USER") :]
    assert all(words.startswith("[") for name, words in last if name == "CMD")
    for name, words in found:
        if name == "COPY" and "--from" not in words:
            assert all((ROOT / source).exists() for source in words.split()[:-1]), words


def test_no_file_names_a_registry_or_holds_a_secret():
    for path in DEPLOY.iterdir():
        text = path.read_text("utf-8")
        assert not re.search(r"(docker|quay|ghcr|pypi|registry)[.\w-]*\.(io|com|org)", text), path.name
        assert not re.search(r"(PASSWORD|SECRET)\w*: *[A-Za-z0-9]", text), path.name


def test_services_are_pinned_wait_for_each_other_and_are_reached_from_this_machine_only():
    services = COMPOSE["services"]
    for name, service in services.items():
        image = service["image"]
        assert "/" not in image.split(":")[0] or image.count("/") == 1
        assert service.get("build") or not image.endswith(":latest"), name
        assert not service.get("privileged")
        assert all(port.startswith("127.0.0.1:") for port in service.get("ports", [])), name
        for other, wanted in service.get("depends_on", {}).items():
            assert other in services
            assert wanted["condition"] != "service_healthy" or "healthcheck" in services[other]
        if service.get("build"):
            assert (service["read_only"], service["cap_drop"]) == (True, ["ALL"])
            assert (DEPLOY / service["build"]["context"]).resolve() == ROOT
            assert (ROOT / service["build"]["dockerfile"]).exists()
    assert {"serve", "server", "database", "worker", "storage"} <= set(services)
    assert "postgresql+asyncpg://" in services["server"]["environment"]["PREFECT_SERVER_DATABASE_CONNECTION_URL"]


def test_every_flow_is_deployed_once_with_a_limit_a_schedule_and_the_report_of_failures():
    found = yaml.safe_load((DEPLOY / "prefect.yaml").read_text("utf-8"))["deployments"]
    by_flow = {d["entrypoint"].split(":")[1]: d for d in found}
    assert len(by_flow) == len(found)
    flows: list[Any] = [*scheduled_flows.FLOWS.values(), scheduled_flows.report_failure]
    assert {*by_flow} == {f.fn.__name__ for f in flows}
    for deployment in found:
        assert (ROOT / deployment["entrypoint"].split(":")[0]).exists()
        assert deployment["concurrency_limit"] == {"limit": 1, "collision_strategy": "ENQUEUE"}
    (once,) = by_flow["season_end"]["schedules"]
    assert once["rrule"].endswith("COUNT=1")
    (trigger,) = by_flow["report_failure"]["triggers"]
    assert trigger["match_related"]["prefect.resource.id"].removeprefix("prefect.tag.") in by_flow["post_shift"]["tags"]
    assert "prefect.flow-run.Failed" in trigger["expect"]


def ask(api: str, path: str) -> Any:
    request = urllib.request.Request(f"{api}{path}", b"{}", {"Content-Type": "application/json"}, method="POST")
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def checkout(folder: Path) -> Path:
    """Copy the files of the repository, and nothing else, into a folder."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    for name in filter(None, listed.stdout.split("\0")):
        if (ROOT / name).exists():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, folder / name)
    return folder


@pytest.mark.slow
def test_a_clean_checkout_deploys_unchanged(tmp_path):
    with prefect_server(tmp_path / "home") as api:
        env = {**os.environ, "PREFECT_API_URL": api, "PREFECT_HOME": str(tmp_path / "home"), "PREFECT_CLI_PROMPT": "0"}
        env |= {"TARETRACE_WORKSPACE": str(tmp_path / "season")}
        clean = checkout(tmp_path / "clean")
        for words in (
            ["work-pool", "create", "taretrace", "--type", "process"],
            ["--no-prompt", "deploy", "--all", "--prefect-file", "flows/deploy/prefect.yaml"],
        ):
            done = subprocess.run([*PREFECT, *words], cwd=clean, env=env, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stdout + done.stderr
        flows = {f["id"]: f["name"] for f in ask(api, "/flows/filter")}
        found = {flows[d["flow_id"]]: d for d in ask(api, "/deployments/filter")}
        automations = ask(api, "/automations/filter")
    assert {*found} == {*scheduled_flows.FLOWS, REPORT_FAILURE}
    for deployment in found.values():
        assert deployment["parameters"] == {"workspace": str(tmp_path / "season")}
        assert deployment["work_pool_name"] == "taretrace"
        assert deployment["global_concurrency_limit"]["limit"] == 1
        assert deployment["concurrency_options"]["collision_strategy"] == "ENQUEUE"
    assert [a["actions"][0]["deployment_id"] for a in automations] == [found[REPORT_FAILURE]["id"]]


def own_words(service: str, port: int, folder: Path) -> list[str]:
    """Return the command of a service as this machine runs it: its own programs, a free port, the season's folder."""
    words = [str(w) for w in COMPOSE["services"][service]["command"]]
    program = {"prefect": PREFECT, "taretrace": PROGRAM, "python": [sys.executable]}[words[0]]
    ours = {"/season": str(folder), "4200": str(port), "0.0.0.0": "127.0.0.1"}  # noqa: S104 - replaced
    return [*program, *(ours.get(w, w) for w in words[1:])]


@contextlib.contextmanager
def composed(folder: Path, logs: Path, database: str, storage: dict[str, str]) -> Iterator[str]:
    """Run the services of compose.yaml as processes, in their order; yields the address of the API."""
    port = free_port()
    api = f"http://127.0.0.1:{port}/api"
    home = {"PREFECT_HOME": str(logs / "home"), "PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}
    server = {**home, "PREFECT_SERVER_DATABASE_CONNECTION_URL": database, "PREFECT_UI_ENABLED": "false"}
    season = {**home, **storage, "PREFECT_API_URL": api}
    with contextlib.ExitStack() as stack:
        stack.enter_context(running(*own_words("server", port, folder), env=server, log=logs / "server.log"))
        until(lambda: answers(f"{api}/health"), "the Prefect server")
        for once in ("bucket", "pool"):
            words = own_words(once, port, folder)
            done = subprocess.run(words, env={**os.environ, **season}, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stderr
        for service in ("worker", "serve"):
            log = logs / f"{service}.log"
            stack.enter_context(running(*own_words(service, port, folder), env=season, log=log))
        until(lambda: "Serving" in (logs / "serve.log").read_text(), "serve")
        yield api


@pytest.mark.slow
def test_the_steps_of_compose_run_a_season_without_a_container_engine(tmp_path):
    programs = postgres_programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed, and this user may not install it")
    workspace = write_demo(tmp_path / "season", machines=2, days=2, seed=3, hz=0.02, reporter=QUIET)
    toml = workspace.root / "season.toml"
    text = toml.read_text().replace("new_files_every_min = 5", "new_files_every_min = 0.02\nafter_shift = []")
    toml.write_text(text.replace("[run]", '[run]\nlake = "s3://taretrace/season"'))
    late = max(p for p in workspace.inbox.iterdir() if "ticket" in p.name)
    held_back = late.rename(tmp_path / late.name)
    with (
        object_storage("of-another-season") as storage,
        postgres(programs) as database,
        pytest.MonkeyPatch.context() as patch,
    ):
        for name, value in storage.items():
            patch.setenv(name, value)
        with composed(workspace.root, tmp_path, database, storage) as api:
            time.sleep(3)
            shutil.copy(held_back, workspace.inbox)
            log = RunLog(workspace.log)
            until(lambda: any(log.last(POST_SHIFT, event) for event in ("ended", "failed")), "the run of the worker")
            until(lambda: bool(_final_states(api)), "its state")
            states = _final_states(api)
        assert states == ["Completed"]
        assert len(Lake(Workspace(workspace.root).lake).binned()) == 4
    assert not (workspace.root / "lake" / "bin").exists()


def _final_states(api: str) -> list[str]:
    return [r["state_name"] for r in ask(api, "/flow_runs/filter") if r["state_type"] in {"COMPLETED", "FAILED"}]
