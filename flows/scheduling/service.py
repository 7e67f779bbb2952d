"""Long-running service of a season: scheduled Prefect flows, inbox watch, and one catch-up run per missed job."""

import asyncio
import datetime as dt
import threading
from collections.abc import Callable
from contextlib import suppress
from contextvars import copy_context
from importlib.metadata import version
from typing import Any
from zoneinfo import ZoneInfo

from prefect import aserve
from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
from prefect.deployments import run_deployment
from prefect.deployments.runner import RunnerDeployment
from prefect.events import DeploymentEventTrigger
from prefect.schedules import Cron, RRule
from prefect.types.entrypoint import EntrypointType

from flows.scheduling.announce import announce_runs
from flows.scheduling.flow_names import TAG, deployment_name
from flows.scheduling.schedule import POST_SHIFT, Slot, last_due_time, slots
from flows.scheduling.scheduled_flows import CATCH_UP, FLOWS, report_failure
from reports.language.translate import local_date, local_moment, locale, say
from transforms.config.workspace import Season, Workspace
from transforms.ingest.inbox import KnownFiles, scan_inbox
from transforms.storage.run_log import RunLog

PrintLine = Callable[[str], None]


def _schedule(slot: Slot, season: Season) -> Any:
    """Return the schedule of a slot; a date is one run, which cron would repeat every year."""
    if slot.date is None:
        return Cron(slot.cron, timezone=season.time_zone)
    at = dt.datetime.combine(slot.date, slot.at)
    return RRule(f"DTSTART:{at:%Y%m%dT%H%M%S}\nRRULE:FREQ=DAILY;COUNT=1", timezone=season.time_zone)


def _failure_trigger(workspace: Workspace) -> DeploymentEventTrigger:
    """Return the automation that reports each run of a workspace that failed or crashed."""
    name = deployment_name(workspace)
    return DeploymentEventTrigger(
        name=f"{name}: report a failed run",
        expect={"prefect.flow-run.Failed", "prefect.flow-run.Crashed", "prefect.flow-run.TimedOut"},
        match_related={"prefect.resource.role": "tag", "prefect.resource.id": f"prefect.tag.{name}"},
        parameters={
            "workspace": str(workspace.root.resolve()),
            "run": "{{ flow_run.name }}",
            "message": "{{ flow_run.state.message }}",
        },
    )


def deployments(workspace: Workspace, pool: str | None = None) -> list[RunnerDeployment]:
    """Return every flow with its schedule, for this process or for the workers of a pool, and the report of failures.

    Runs of a deployment wait for each other in the server; the lock of the workspace orders runs of different ones.
    """
    season, planned, name = workspace.season, slots(workspace.season), deployment_name(workspace)
    one_at_a_time = ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.ENQUEUE)
    shared: dict[str, Any] = {
        "name": name,
        "parameters": {"workspace": str(workspace.root.resolve())},
        "version": version("taretrace"),
        "work_pool_name": pool,
        "entrypoint_type": EntrypointType.MODULE_PATH,
        "concurrency_limit": one_at_a_time,
    }
    jobs = [
        flow.to_deployment(
            tags=[TAG, name, job], schedules=[_schedule(s, season) for s in planned if s.job == job], **shared
        )
        for job, flow in FLOWS.items()
    ]
    # Without the tag of the workspace: a failed report must not report itself.
    report: Any = report_failure.to_deployment(tags=[TAG], triggers=[_failure_trigger(workspace)], **shared)
    return [*jobs, report]


def find_missed_jobs(workspace: Workspace, now: dt.datetime, log: RunLog) -> list[str]:
    """Return the jobs that were due since their last successful run, each once.

    A job that has never run counts as missed only if another job of the season has run.
    """
    season, jobs = workspace.season, []
    has_started = any(log.last(job, "ended") for job in FLOWS)
    for job in FLOWS:
        due = last_due_time(job, season, now)
        if due is not None and has_started and not log.done_since(job, due):
            jobs.append(job)
    return jobs


def start_run(job: str, workspace: Workspace, *tags: str) -> None:
    """Start a job now on the runner or workers of this workspace."""
    run_deployment(f"{job}/{deployment_name(workspace)}", timeout=0, as_subflow=False, tags=list(tags))


class InboxWatch:
    """Watch of an inbox that reports each new or changed file once, after it has stopped changing."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.reported = self._scan()
        self.previous = self.reported

    def _scan(self) -> dict[str, tuple[int, int]]:
        known: KnownFiles = {f: (*stamp, "") for f, stamp in getattr(self, "previous", {}).items()}
        return {f.file: (f.size, f.changed_ns) for f in scan_inbox(self.workspace.inbox, known).found}

    def new_files(self) -> int:
        """Return the number of new files that have not changed since the previous call; each file counts once."""
        current = self._scan()
        settled = {f: stamp for f, stamp in current.items() if self.previous.get(f) == stamp}
        new = [f for f, stamp in settled.items() if self.reported.get(f) != stamp]
        self.previous = current
        self.reported = {f: s for f, s in self.reported.items() if f in current} | {f: settled[f] for f in new}
        return len(new)


def watch(workspace: Workspace, stop: threading.Event, start: Callable[[str], None]) -> None:
    """Start a post-shift run whenever the inbox has new files that no longer change, until `stop` is set.

    Nothing is printed: the run prints its line when it ends.
    """
    interval_s = workspace.season.schedule.new_files_every_min * 60
    if not interval_s:
        return
    inbox = InboxWatch(workspace)
    while not stop.wait(interval_s):
        if inbox.new_files():
            start(POST_SHIFT)


def schedule_lines(season: Season, now: dt.datetime, missed: list[str]) -> list[str]:
    """Return one line per slot of the schedule: job, times, last due time, and a note if the job was missed."""
    zone = ZoneInfo(season.time_zone)
    lines = []
    for slot in slots(season):
        line = say("{job}: {when} ({zone})", job=slot.job, when=_describe_slot(slot), zone=zone.key)
        last = slot.last_before(now, zone)
        if last is not None:
            line = say("{line}, last due {due}", line=line, due=local_moment(last.astimezone(zone)))
        lines.append(say("{line}; it was missed and runs once now", line=line) if slot.job in missed else line)
    return lines


def _describe_slot(slot: Slot) -> str:
    """Return when a job is due."""
    time = local_date(slot.at, "Hm")
    if slot.date is not None:
        return say("once, on {day} at {time}", day=local_date(slot.date, "yMMMd"), time=time)
    if slot.weekday is not None:
        return say("every {weekday} at {time}", weekday=locale().days["format"]["wide"][slot.weekday], time=time)
    return say("every day at {time}", time=time)


def serve(workspace: Workspace, pool: str | None, print_line: PrintLine, stop: threading.Event) -> None:
    """Run the schedule of a season until `stop` is set.

    Args:
        workspace: the workspace.
        pool: work pool whose workers run the flows; None runs them in this process.
        print_line: prints one line for the user.
        stop: event that ends the service.
    """
    log = RunLog(workspace.log)
    began = log.clock()
    missed = find_missed_jobs(workspace, began, log)
    for line in schedule_lines(workspace.season, dt.datetime.now(dt.UTC), missed):
        print_line(line)
    planned = deployments(workspace, pool)
    for deployment in planned:
        deployment.apply()
    for job in missed:
        start_run(job, workspace, CATCH_UP)
    watcher = threading.Thread(target=watch, args=(workspace, stop, lambda job: start_run(job, workspace)), daemon=True)
    watcher.start()
    zone = ZoneInfo(workspace.season.time_zone)
    # A new thread starts without the language of this one.
    in_language = copy_context().run
    announced = announce_runs, log, began, zone, print_line, stop
    announcer = threading.Thread(target=in_language, args=announced, daemon=True)
    announcer.start()
    if pool is not None:
        stop.wait()
    else:
        # Outside the main thread, because there Prefect would capture the signals that stop this program.
        polling = threading.Thread(target=lambda: asyncio.run(_poll(planned, stop)))
        polling.start()
        polling.join()
    announcer.join()


async def _poll(planned: list[RunnerDeployment], stop: threading.Event) -> None:
    """Serve deployments, each run in a separate process, until `stop` is set."""
    polling = asyncio.create_task(
        aserve(*planned, pause_on_shutdown=False, print_starting_message=False, name=f"taretrace {planned[0].name}")
    )
    stopping = asyncio.create_task(asyncio.to_thread(stop.wait))
    await asyncio.wait({polling, stopping}, return_when=asyncio.FIRST_COMPLETED)
    stop.set()
    polling.cancel()
    with suppress(asyncio.CancelledError):
        await polling
