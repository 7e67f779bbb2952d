"""Sixty shift days run by the schedule at high speed, with faults: at the end the tables are those of one clean pass.

.venv/bin/pytest -m slow tests/proofs/test_soak.py -s        (about half an hour; TARETRACE_SOAK_DAYS=12 for a look)
"""

import datetime as dt
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from flows.quiet import QUIET
from flows.schedule import slots
from flows.serve import missed
from tests.proofs.soak_season import deliveries
from tests.servers import prefect_server
from tests.whole import assert_same, every_table
from transforms.run_log import RunLog
from transforms.workspace import Workspace

DAYS = int(os.environ.get("TARETRACE_SOAK_DAYS", "60"))
RUN = """
import datetime as dt, errno, json, os, random, resource, signal, sys, threading
from pathlib import Path
folder, job, now, fault, seed = sys.argv[1:]
from flows.attend import attend
from flows.schedule import due_before
from transforms import lake
from transforms.run_log import RunLog
from transforms.warehouse import Warehouse
from transforms.workspace import Workspace
rng, writes = random.Random(int(seed)), [0]
def full(real, after):
    def write(*args, **kwargs):
        writes[0] += 1
        if writes[0] > after:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(*args, **kwargs)
    return write
if fault == "kill":
    threading.Timer(rng.uniform(0, 6), lambda: os.kill(os.getpid(), signal.SIGKILL)).start()
if fault == "full disk":
    after = rng.randint(0, 60)
    Warehouse.append, lake.os.fsync = full(Warehouse.append, after), full(lake.os.fsync, after)
at = dt.datetime.fromisoformat(now)
workspace = Workspace(Path(folder))
due = due_before(job, workspace.season, at)
ended = attend(job, workspace, due, RunLog(workspace.log, clock=lambda: at))
print(json.dumps({"state": ended.name, "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
os._exit(0)
"""


def run(workspace: Workspace, job: str, now: dt.datetime, fault: str, seed: int, env: dict[str, str]) -> dict[str, Any]:
    """One run in a process of its own, as the schedule starts it."""
    words = [sys.executable, "-c", RUN, str(workspace.root), job, now.isoformat(), fault, str(seed)]
    done = subprocess.run(words, env={**os.environ, **env}, capture_output=True, text=True, check=False)
    return json.loads(done.stdout.splitlines()[-1]) if done.returncode == 0 else {"state": "killed", "err": done.stderr}


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
    with prefect_server(home) as api:
        env = {**QUIET, "PREFECT_API_URL": api, "PREFECT_HOME": str(home)}
        number = 0
        for day in range(last + 1):
            season.drop(day, rough.inbox)
            date = season.first + dt.timedelta(days=day + 1)
            times = sorted({s.at for s in slots(rough.season)} | {dt.time(12)})
            for at in times:
                now = dt.datetime.combine(date, at, zone).astimezone(dt.UTC)
                if day % 13 == 5:
                    now -= dt.timedelta(hours=2)  # somebody set the clock back
                log = RunLog(rough.log, clock=lambda now=now: now)
                jobs = missed(rough, now, log) if day or number else ["post-shift"]
                for job in jobs:
                    fault = rng.choices(["none", "kill", "full disk"], [0.7, 0.2, 0.1])[0] if day < last else "none"
                    number += 1
                    told = run(rough, job, now, fault, number, env)
                    states[f"{job}: {told['state']}" + (f" ({fault})" if fault != "none" else "")] += 1
                    assert told["state"] not in {"Fault of ours", "Workspace is wrong"}, told
                    assert told["state"] != "killed" or fault == "kill", told
                    if job == "post-shift" and "mb" in told:
                        peak[day] = told["mb"]
        end = dt.datetime.combine(season.first + dt.timedelta(days=last + 9), dt.time(12), zone).astimezone(dt.UTC)
        for job in ("nightly-refit", "post-shift"):
            assert run(rough, job, end, "none", 0, env)["state"] in {"Completed", "Data trouble"}
        for job in ("nightly-refit", "post-shift")[1:]:
            assert run(clean, job, end, "none", 0, env)["state"] in {"Completed", "Data trouble"}
    early = statistics.median(mb for day, mb in peak.items() if last // 4 <= day < last // 2)
    late = statistics.median(mb for day, mb in peak.items() if day >= 3 * last // 4)
    print(f"\n{last + 1} days, {number} runs: {dict(states)}")
    print(f"peak memory of a post-shift run: {early:.0f} MB in the second quarter, {late:.0f} MB in the last")
    assert_same(every_table(clean, telemetry=True), every_table(rough, telemetry=True))
    assert sum(n for state, n in states.items() if "killed" in state or "Disk" in state) > DAYS // 10
    assert late < 1.15 * early
