"""Health checks of a workspace, with a remedy for each problem found."""

import datetime as dt
import shutil
from collections.abc import Iterator
from pathlib import Path

from transforms.config.problems import ConfigError
from transforms.config.workspace import FOLDERS, Workspace
from transforms.contracts.reason import phrase_reason, reason
from transforms.errors import WorkspaceError
from transforms.ingest.mapping_file import read_mappings
from transforms.operations.finding import Finding, error_remedy, error_what
from transforms.operations.health_data import check_stored_data
from transforms.operations.publish import find_fault
from transforms.storage.lake import IN_PROGRESS
from transforms.storage.lock import NAME as LOCK
from transforms.storage.lock import OWNER, lock_owner, locked_file
from transforms.storage.run_log import RunLog

MIN_FREE_BYTES = 2_000_000_000
OTHERS = 0o077
AHEAD = dt.timedelta(minutes=10)


def check_season_files(workspace: Workspace) -> Iterator[Finding]:
    """Check that season.toml and the mappings can be read."""
    try:
        read = workspace.season
        season = reason("season_read", name=read.name, time_zone=read.time_zone, n=len(read.sites))
        yield Finding("season.toml", "fine", season)
        mappings = read_mappings(workspace.mappings, read.catalogue)
    except ConfigError as problem:
        for p in problem.problems:
            remedy = reason("fix_at", where=p.where, remedy=phrase_reason(p.remedy))
            yield Finding("season.toml, mappings", "wrong", phrase_reason(p.what), remedy)
        return
    except WorkspaceError as problem:
        remedy = reason("fix_at", where=problem.where, remedy=error_remedy(problem))
        yield Finding("season.toml, mappings", "wrong", error_what(problem), remedy)
        return
    if mappings:
        yield Finding("mappings", "fine", reason("mappings_read", n=len(mappings)))
    else:
        yield Finding("mappings", "note", reason("no_mappings"), reason("map_each_kind"))


def check_permissions(workspace: Workspace) -> Iterator[Finding]:
    """Check that the workspace is writable and that other users cannot read growers' data."""
    for name in (".", *FOLDERS):
        folder = workspace.root / name
        if not folder.is_dir():
            missing = reason("workspace_missing", folder=str(folder))
            yield Finding("folders", "wrong", missing, reason("run_init", folder=str(workspace.root)))
            continue
        try:
            probe = folder / ".probe"
            probe.touch()
            probe.unlink()
        except OSError as problem:
            fault = reason("folder_not_writable", folder=str(folder), detail=problem.strerror)
            yield Finding("folders", "wrong", fault, reason("run_shell", command=f"chmod u+rwx {folder}"))
    open_to = workspace.root.stat().st_mode & OTHERS
    if open_to:
        yield Finding(
            "permissions",
            "wrong",
            reason("open_to_others", folder=str(workspace.root), mode=f"{open_to:03o}"),
            reason("run_shell", command=f"chmod go-rwx {workspace.root}"),
        )
    else:
        yield Finding("permissions", "fine", reason("only_this_user"))


def check_disk(workspace: Workspace) -> Iterator[Finding]:
    """Check the free disk space."""
    free = shutil.disk_usage(workspace.root).free
    if free < MIN_FREE_BYTES:
        yield Finding("disk", "wrong", reason("disk_nearly_full", free_gb=free / 1e9), reason("free_disk"))
    else:
        yield Finding("disk", "fine", reason("disk_free", free_gb=free / 1e9))


def check_clock(workspace: Workspace, now: dt.datetime) -> Iterator[Finding]:
    """Check that this machine's clock is not behind the newest stored timestamp.

    Args:
        workspace: the workspace, whose log and inbox have the timestamps.
        now: the current time by this machine's clock, UTC.
    """
    latest = next((line["at"] for line in RunLog(workspace.log).lines()), None)
    stamps = [p.stat().st_mtime for p in workspace.inbox.rglob("*") if p.is_file()] if workspace.inbox.is_dir() else []
    files = dt.datetime.fromtimestamp(max(stamps), dt.UTC) if stamps else None
    for is_log, at in ((True, latest), (False, files)):
        if at is not None and at > now + AHEAD:
            times = {"latest_at": at.isoformat(), "now_at": now.isoformat()}
            later = reason("log_is_later" if is_log else "inbox_is_later", **times)
            yield Finding("clock", "wrong", later, reason("set_clock"))
            return
    yield Finding("clock", "fine", reason("clock_right", now_at=now.isoformat()))


def check_locks(workspace: Workspace) -> Iterator[Finding]:
    """Check if a run owns the lock, and if an interrupted run left files."""
    if (workspace.root / OWNER).exists():
        with locked_file(workspace.root / LOCK) as is_free:
            owner = lock_owner(workspace.root)
        if is_free:
            yield Finding("locks", "note", reason("run_died"), reason("lock_is_released"))
        else:
            using = reason("run_is_using", **owner) if owner else reason("other_run_is_using")
            yield Finding("locks", "note", using)
    else:
        yield Finding("locks", "fine", reason("no_run"))
    if (workspace.lake / IN_PROGRESS).exists():
        yield Finding(
            "lake",
            "note",
            reason("ingest_interrupted"),
            reason("next_run_cleans"),
            "lake.interrupted",
        )


def check_publishing(workspace: Workspace) -> Iterator[Finding]:
    """Check that pages can be copied to the folder of `[publish]`, if there is one."""
    publish = workspace.season.publish
    if publish.folder is None:
        return
    fault = find_fault(publish.folder, workspace.published)
    if fault is not None:
        what = reason("publish_fault", folder=str(publish.folder), what=fault.what)
        yield Finding("publish", "wrong", what, fault.remedy)
    else:
        folder = str(publish.folder)
        copied = reason("published_with_growers" if publish.growers else "published_without_growers", folder=folder)
        yield Finding("publish", "fine", copied)


def check_workspace(workspace: Workspace, now: dt.datetime) -> list[Finding]:
    """Run all checks that need no server; return the findings in the order in which to fix them.

    Checks of stored data are left out if season.toml or a mapping cannot be read.

    Args:
        workspace: the workspace to check.
        now: the current time, UTC.
    """
    if not Path(workspace.root).is_dir():
        folder = str(workspace.root)
        missing = reason("workspace_missing", folder=folder)
        return [Finding("workspace", "wrong", missing, reason("run_init", folder=folder))]
    out = [
        *check_permissions(workspace),
        *check_disk(workspace),
        *check_clock(workspace, now),
        *check_season_files(workspace),
    ]
    if any(f.state == "wrong" and f.check.startswith("season") for f in out):
        return out
    return [*out, *check_publishing(workspace), *check_locks(workspace), *check_stored_data(workspace)]
