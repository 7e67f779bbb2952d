"""Keeps a season going: scheduled flows of Prefect, an eye on the inbox, one run for all that was missed."""

import asyncio
import datetime as dt
import hashlib
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any
from zoneinfo import ZoneInfo

from prefect.deployments import run_deployment
from prefect.deployments.runner import RunnerDeployment
from prefect.runner import Runner
from prefect.schedules import Cron
from prefect.types.entrypoint import EntrypointType

from flows.scheduling.flows import CATCH_UP, FLOWS
from flows.scheduling.schedule import POST_SHIFT, Slot, due_before, slots
from transforms.config.workspace import Season, Workspace
from transforms.ingest.inbox import KnownFiles, scan_inbox
from transforms.storage.run_log import RunLog

Say = Callable[[str], None]


def deployment_name(workspace: Workspace) -> str:
    """Return the name a workspace's flows are deployed under: its folder's, and a mark of where that folder is.

    Workspaces of one folder's name may share a server.
    """
    root = workspace.root.resolve()
    return f"{root.name}-{hashlib.sha256(str(root).encode()).hexdigest()[:8]}"


def _schedule(slot: Slot, season: Season) -> Any:
    return Cron(slot.cron, timezone=season.time_zone)


def deployments(workspace: Workspace, pool: str | None = None) -> list[RunnerDeployment]:
    """Return every flow with its schedule, to be run here or by the workers of a pool."""
    season, every = workspace.season, slots(workspace.season)
    return [
        RunnerDeployment.from_flow(
            flow,
            name=deployment_name(workspace),
            parameters={"workspace": str(workspace.root.resolve())},
            schedules=[_schedule(s, season) for s in every if s.job == job],
            work_pool_name=pool,
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
        for job, flow in FLOWS.items()
    ]


def missed(workspace: Workspace, now: dt.datetime, log: RunLog) -> list[str]:
    """Return the jobs that were due since they last ended well, each once however often it was.

    A job that has never run is missed only where the season has begun to be run at all.
    """
    season, out = workspace.season, []
    begun = any(log.last(job, "ended") for job in FLOWS)
    for job in FLOWS:
        due = due_before(job, season, now)
        if due is not None and begun and not log.done_since(job, due):
            out.append(job)
    return out


def start_run(job: str, workspace: Workspace, *tags: str) -> None:
    """Have a job run now, by whoever runs this workspace's flows."""
    run_deployment(f"{job}/{deployment_name(workspace)}", timeout=0, as_subflow=False, tags=list(tags))


class InboxWatch:
    """Knows when files have come to rest in the inbox that were not there when it last told."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.told = self._stand()
        self.before = self.told

    def _stand(self) -> dict[str, tuple[int, int]]:
        known: KnownFiles = {f: (*stand, "") for f, stand in getattr(self, "before", {}).items()}
        return {f.file: (f.size, f.changed_ns) for f in scan_inbox(self.workspace.inbox, known).found}

    def new_files(self) -> int:
        """Return how many files are new and have not changed since the last look; each is told once."""
        now = self._stand()
        still = {f: stand for f, stand in now.items() if self.before.get(f) == stand}
        new = [f for f, stand in still.items() if self.told.get(f) != stand]
        self.before = now
        self.told = {f: s for f, s in self.told.items() if f in now} | {f: still[f] for f in new}
        return len(new)


def watch(workspace: Workspace, stop: threading.Event, start: Callable[[str], None], say: Say) -> None:
    """Start a post-shift run whenever new files have come to rest in the inbox, until told to stop."""
    every = workspace.season.schedule.new_files_every_min * 60
    if not every:
        return
    inbox = InboxWatch(workspace)
    while not stop.wait(every):
        if count := inbox.new_files():
            say(f"{count} new files: a post-shift run is started")
            start(POST_SHIFT)


def _plan(workspace: Workspace, say: Say) -> None:
    zone = ZoneInfo(workspace.season.time_zone)
    for slot in slots(workspace.season):
        last = slot.last_before(dt.datetime.now(dt.UTC), zone)
        say(
            f"{slot.job}: cron {slot.cron} ({zone.key}), last due {last.astimezone(zone):%a %d %b %H:%M}"
            if last
            else slot.job
        )


def serve(workspace: Workspace, pool: str | None, say: Say, stop: threading.Event) -> None:
    """Run a season's schedule until told to stop.

    Args:
        workspace: the season's folder.
        pool: a work pool whose workers run the flows; this process where None.
        say: takes a line for whoever looks on.
        stop: set to end.
    """
    _plan(workspace, say)
    made = deployments(workspace, pool)
    log = RunLog(workspace.log)
    runner = Runner(name=f"taretrace {deployment_name(workspace)}", pause_on_shutdown=False) if pool is None else None
    for deployment in made:
        runner.add_deployment(deployment) if runner is not None else deployment.apply()
    for job in missed(workspace, log.clock(), log):
        say(f"{job} was missed: it is run once now")
        start_run(job, workspace, CATCH_UP)
    eye = threading.Thread(
        target=watch, args=(workspace, stop, lambda job: start_run(job, workspace), say), daemon=True
    )
    eye.start()
    if runner is None:
        stop.wait()
    else:
        # Not in the main thread: there the runner would take the signals that end this program.
        working = threading.Thread(target=lambda: asyncio.run(_run(runner, stop)))
        working.start()
        working.join()


async def _run(runner: Runner, stop: threading.Event) -> None:
    """Poll for runs that are due, each in a process of its own, until told to stop."""
    polling = asyncio.create_task(runner.start())
    told = asyncio.create_task(asyncio.to_thread(stop.wait))
    await asyncio.wait({polling, told}, return_when=asyncio.FIRST_COMPLETED)
    stop.set()
    polling.cancel()
    with suppress(asyncio.CancelledError):
        await polling
