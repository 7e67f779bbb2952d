"""Health checks of a workspace, with a remedy for each problem found."""

import datetime as dt
import fcntl
import shutil
from collections.abc import Iterator
from pathlib import Path

from transforms.config.problems import ConfigError
from transforms.config.workspace import FOLDERS, Workspace
from transforms.errors import WorkspaceError
from transforms.ingest.mapping_file import read_mappings
from transforms.operations.finding import Finding
from transforms.operations.health_data import check_stored_data
from transforms.operations.publish import find_fault
from transforms.storage.lake import IN_PROGRESS
from transforms.storage.lock import NAME as LOCK
from transforms.storage.lock import lock_owner
from transforms.storage.run_log import RunLog

MIN_FREE_BYTES = 2_000_000_000
OTHERS = 0o077
AHEAD = dt.timedelta(minutes=10)


def check_season_files(workspace: Workspace) -> Iterator[Finding]:
    """Check that season.toml and the mappings can be read."""
    try:
        read = workspace.season
        yield Finding("season.toml", "fine", f"'{read.name}', {read.time_zone}, {len(read.sites)} sites")
        mappings = read_mappings(workspace.mappings, read.catalogue)
    except ConfigError as problem:
        yield from (
            Finding("season.toml, mappings", "wrong", p.what, f"{p.where}: {p.remedy}") for p in problem.problems
        )
        return
    except WorkspaceError as problem:
        yield Finding("season.toml, mappings", "wrong", problem.what, f"{problem.where}: {problem.remedy}")
        return
    if mappings:
        yield Finding("mappings", "fine", f"{len(mappings)} can be read")
    else:
        yield Finding(
            "mappings", "note", "there are no mappings", "run 'taretrace map FILE' on one file of each kind of export"
        )


def check_permissions(workspace: Workspace) -> Iterator[Finding]:
    """Check that the workspace is writable and that other users cannot read growers' data."""
    for name in (".", *FOLDERS):
        folder = workspace.root / name
        if not folder.is_dir():
            yield Finding(
                "folders", "wrong", f"the folder {folder} is missing", f"run 'taretrace init {workspace.root}'"
            )
            continue
        try:
            probe = folder / ".probe"
            probe.touch()
            probe.unlink()
        except OSError as problem:
            yield Finding(
                "folders", "wrong", f"{folder} cannot be written ({problem.strerror})", f"chmod u+rwx {folder}"
            )
    open_to = workspace.root.stat().st_mode & OTHERS
    if open_to:
        yield Finding(
            "permissions",
            "wrong",
            f"other users can access {workspace.root} (mode {open_to:03o})",
            f"chmod go-rwx {workspace.root}",
        )
    else:
        yield Finding("permissions", "fine", "only this user can access the workspace")


def check_disk(workspace: Workspace) -> Iterator[Finding]:
    """Check the free disk space."""
    free = shutil.disk_usage(workspace.root).free
    if free < MIN_FREE_BYTES:
        yield Finding("disk", "wrong", f"only {free / 1e9:.1f} GB are free", "free up space: a shift needs about 1 GB")
    else:
        yield Finding("disk", "fine", f"{free / 1e9:.0f} GB are free")


def check_clock(workspace: Workspace, now: dt.datetime) -> Iterator[Finding]:
    """Check that this machine's clock is not behind the newest stored timestamp.

    Args:
        workspace: the workspace, whose log and inbox have the timestamps.
        now: the current time by this machine's clock, UTC.
    """
    latest = next((line["at"] for line in RunLog(workspace.log).lines()), None)
    stamps = [p.stat().st_mtime for p in workspace.inbox.rglob("*") if p.is_file()] if workspace.inbox.is_dir() else []
    files = dt.datetime.fromtimestamp(max(stamps), dt.UTC) if stamps else None
    for what, at in (("the log's last line", latest), ("the inbox's newest file", files)):
        if at is not None and at > now + AHEAD:
            yield Finding(
                "clock",
                "wrong",
                f"{what} is dated {at:%Y-%m-%d %H:%M} UTC, but the clock shows {now:%Y-%m-%d %H:%M}",
                "set the clock of this machine, or of the machine that writes the files (timedatectl)",
            )
            return
    yield Finding("clock", "fine", f"{now:%Y-%m-%d %H:%M} UTC; no stored timestamp is later")


def check_locks(workspace: Workspace) -> Iterator[Finding]:
    """Check if a run owns the lock, and if an interrupted run left files."""
    lock = workspace.root / LOCK
    if lock.exists() and lock.stat().st_size:
        with lock.open("a+", encoding="utf-8") as handle:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                yield Finding(
                    "locks", "note", "a run died while it used the workspace", "nothing to do: its lock is released"
                )
            except BlockingIOError:
                yield Finding("locks", "note", f"{lock_owner(lock)} is using the workspace")
    else:
        yield Finding("locks", "fine", "no run is using the workspace")
    if (workspace.lake / IN_PROGRESS).exists():
        yield Finding(
            "lake",
            "note",
            "a run was interrupted while it ingested files",
            "nothing to do: the next run cleans up and continues",
            "lake.interrupted",
        )


def check_publishing(workspace: Workspace) -> Iterator[Finding]:
    """Check that pages can be copied to the folder of `[publish]`, if there is one."""
    publish = workspace.season.publish
    if publish.folder is None:
        return
    fault = find_fault(publish.folder, workspace.published)
    if fault is not None:
        yield Finding("publish", "wrong", f"{publish.folder}: {fault.what}", fault.remedy)
    else:
        growers = "with" if publish.growers else "without"
        yield Finding("publish", "fine", f"pages are copied to {publish.folder}, {growers} growers' sheets")


def check_workspace(workspace: Workspace, now: dt.datetime) -> list[Finding]:
    """Run all checks that need no server; return the findings in the order in which to fix them.

    Checks of stored data are left out if season.toml or a mapping cannot be read.

    Args:
        workspace: the workspace to check.
        now: the current time, UTC.
    """
    if not Path(workspace.root).is_dir():
        return [Finding("workspace", "wrong", f"the folder {workspace.root} is missing", "run 'taretrace init' on it")]
    out = [
        *check_permissions(workspace),
        *check_disk(workspace),
        *check_clock(workspace, now),
        *check_season_files(workspace),
    ]
    if any(f.state == "wrong" and f.check.startswith("season") for f in out):
        return out
    return [*out, *check_publishing(workspace), *check_locks(workspace), *check_stored_data(workspace)]
