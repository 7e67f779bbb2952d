"""Sixty shift days run by the schedule at high speed, with faults: at the end the tables are those of one clean pass.

.venv/bin/pytest -m slow tests/validation/test_soak.py -s        (about half an hour; TARETRACE_SOAK_DAYS=12 for a look)
"""

import contextlib
import datetime as dt
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from flows.runtime.prefect_env import QUIET
from flows.scheduling.schedule import slots
from flows.scheduling.service import find_missed_jobs
from tests.support.servers import prefect_server
from tests.support.workspace_tables import assert_same, every_table
from tests.validation.soak_season import deliveries
from transforms.config.workspace import Workspace
from transforms.storage.run_log import RunLog

LONGEST_S = 300.0
"""A run that has not ended by then hangs."""
DAYS = int(os.environ.get("TARETRACE_SOAK_DAYS", "60"))
RUN = """
import datetime as dt, errno, json, os, random, resource, signal, sys, threading
from pathlib import Path
from flows.scheduling.run import run_scheduled
from flows.scheduling.schedule import last_due_time
from transforms.storage import lake
from transforms.storage.run_log import RunLog
from transforms.storage.warehouse import Warehouse
from transforms.config.workspace import Workspace
def full(real, after, writes):
    def write(*args, **kwargs):
        writes.append(1)
        if len(writes) > after:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(*args, **kwargs)
    return write
def once(folder, job, now, fault, seed):
    rng, writes = random.Random(seed), []
    if fault == "kill":
        threading.Timer(rng.uniform(0, 5), lambda: os.kill(os.getpid(), signal.SIGKILL)).start()
    if fault == "full disk":
        after = rng.randint(0, 60)
        Warehouse.append, lake.os.fsync = full(Warehouse.append, after, writes), full(lake.os.fsync, after, writes)
    at = dt.datetime.fromisoformat(now)
    workspace = Workspace(Path(folder))
    due = last_due_time(job, workspace.season, at)
    ended = run_scheduled(job, workspace, due, RunLog(workspace.log, clock=lambda: at))
    mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"state": ended.name, "mb": mb}), flush=True)
    os._exit(0)
once(*json.loads(sys.stdin.readline()))
"""


class Starter:
    """Starts each run in a process of its own, as the schedule does; the next one imports what it needs meanwhile."""

    def __init__(self, env: dict[str, str]) -> None:
        self.env = {**os.environ, **env}
        self.next = self._start()

    def _start(self) -> subprocess.Popen[str]:
        pipe = subprocess.PIPE
        words = [sys.executable, "-c", RUN]
        return subprocess.Popen(words, env=self.env, stdin=pipe, stdout=pipe, stderr=pipe, text=True)

    def run(self, workspace: Workspace, job: str, now: dt.datetime, fault: str, seed: int) -> dict[str, Any]:
        child, self.next = self.next, self._start()
        out, err = child.communicate(
            json.dumps([str(workspace.root), job, now.isoformat(), fault, seed]) + "\n", LONGEST_S
        )
        assert child.returncode in {0, -9}, err[-2000:]
        return json.loads(out.splitlines()[-1]) if child.returncode == 0 else {"state": "killed"}

    def stop(self) -> None:
        self.next.kill()
        self.next.communicate()


def stopped_at(moment: dt.datetime) -> Callable[[], dt.datetime]:
    """Return a clock that always shows the same time."""
    return lambda: moment


@pytest.mark.slow
def test_sixty_shift_days_with_faults_end_with_the_tables_of_one_clean_pass(tmp_path):
    season = deliveries(tmp_path / "made", machines=3, days=DAYS, seed=7)
    last = max(season.days)
    clean = Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / "clean")))
    rough = Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / "rough")))
    for day in range(last + 1):
        season.drop(day, clean.inbox)
    zone, rng = ZoneInfo(rough.season.time_zone), random.Random(11)
    states: Counter[str] = Counter()
    peak: dict[int, float] = {}
    home = tmp_path / "home"
    with contextlib.ExitStack() as stack, prefect_server(home) as api:
        env = {**QUIET, "PREFECT_API_URL": api, "PREFECT_HOME": str(home)}
        starter = Starter(env)
        stack.callback(starter.stop)
        number = 0
        for day in range(last + 1):
            season.drop(day, rough.inbox)
            date = season.first + dt.timedelta(days=day + 1)
            times = sorted({s.at for s in slots(rough.season)} | {dt.time(12)})
            for at in times:
                now = dt.datetime.combine(date, at, zone).astimezone(dt.UTC)
                if day % 13 == 5:
                    now -= dt.timedelta(hours=2)  # somebody set the clock back
                log = RunLog(rough.log, clock=stopped_at(now))
                jobs = find_missed_jobs(rough, now, log) if day or number else ["post-shift"]
                for job in jobs:
                    fault = rng.choices(["none", "kill", "full disk"], [0.7, 0.2, 0.1])[0] if day < last else "none"
                    number += 1
                    reported = starter.run(rough, job, now, fault, number)
                    states[f"{job}: {reported['state']}" + (f" ({fault})" if fault != "none" else "")] += 1
                    assert reported["state"] not in {"Internal error", "Workspace is wrong"}, reported
                    assert reported["state"] != "killed" or fault == "kill", reported
                    if job == "post-shift" and "mb" in reported:
                        peak[day] = reported["mb"]
        end = dt.datetime.combine(season.first + dt.timedelta(days=last + 9), dt.time(12), zone).astimezone(dt.UTC)
        for workspace, jobs in ((rough, ["post-shift", "nightly-refit"]), (clean, ["post-shift"])):
            for job in jobs:
                assert starter.run(workspace, job, end, "none", 0)["state"] in {"Completed", "Data issue"}
    early = statistics.median(mb for day, mb in peak.items() if last // 4 <= day < last // 2)
    late = statistics.median(mb for day, mb in peak.items() if day >= 3 * last // 4)
    print(f"\n{last + 1} days, {number} runs: {dict(states)}")
    print(f"peak memory of a post-shift run: {early:.0f} MB in the second quarter, {late:.0f} MB in the last")
    assert_same(every_table(clean, telemetry=True), every_table(rough, telemetry=True))
    assert sum(n for state, n in states.items() if "killed" in state or "Disk" in state) > DAYS // 10
    assert late < 1.15 * early
