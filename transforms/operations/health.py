"""Whether a workspace is in order, and how to remedy what is not."""

import datetime as dt
import fcntl
import shutil
from collections.abc import Iterator
from pathlib import Path

from transforms.config.problems import ConfigError
from transforms.config.workspace import FOLDERS, Workspace
from transforms.errors import WorkspaceError
from transforms.ingest.mapping import read_mappings
from transforms.operations.finding import Finding
from transforms.operations.health_data import stored_data
from transforms.storage.lake import TAKING
from transforms.storage.lock import NAME as HELD
from transforms.storage.run_log import RunLog

LEAST_FREE_BYTES = 2_000_000_000
OTHERS = 0o077
AHEAD = dt.timedelta(minutes=10)


def season(workspace: Workspace) -> Iterator[Finding]:
    """Whether season.toml and the mappings can be read."""
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
            "mappings", "note", "there is none", "run 'taretrace map FILE' on one file of each kind of export"
        )


def permissions(workspace: Workspace) -> Iterator[Finding]:
    """Whether we may write where we must, and others may not read growers' data."""
    for name in (".", *FOLDERS):
        folder = workspace.root / name
        if not folder.is_dir():
            yield Finding("folders", "wrong", f"there is no {folder}", f"run 'taretrace init {workspace.root}'")
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
            f"others may look into {workspace.root} (mode {open_to:03o})",
            f"chmod go-rwx {workspace.root}",
        )
    else:
        yield Finding("permissions", "fine", "only this user may look into the workspace")


def disk(workspace: Workspace) -> Iterator[Finding]:
    """Whether there is room."""
    free = shutil.disk_usage(workspace.root).free
    if free < LEAST_FREE_BYTES:
        yield Finding(
            "disk", "wrong", f"{free / 1e9:.1f} GB are free", "make room: a shift needs about 1 GB beside itself"
        )
    else:
        yield Finding("disk", "fine", f"{free / 1e9:.0f} GB are free")


def clock(workspace: Workspace, now: dt.datetime) -> Iterator[Finding]:
    """Whether this machine's clock is behind what was already written here."""
    latest = next((line["at"] for line in RunLog(workspace.log).lines()), None)
    stamps = [p.stat().st_mtime for p in workspace.inbox.rglob("*") if p.is_file()] if workspace.inbox.is_dir() else []
    files = dt.datetime.fromtimestamp(max(stamps), dt.UTC) if stamps else None
    for what, at in (("the log's last line", latest), ("the inbox's newest file", files)):
        if at is not None and at > now + AHEAD:
            yield Finding(
                "clock",
                "wrong",
                f"{what} is of {at:%Y-%m-%d %H:%M} UTC, now is {now:%Y-%m-%d %H:%M}",
                "set this machine's clock, or that of whoever writes the files (timedatectl)",
            )
            return
    yield Finding("clock", "fine", f"{now:%Y-%m-%d %H:%M} UTC; nothing here is from later")


def locks(workspace: Workspace) -> Iterator[Finding]:
    """Whether a run holds the workspace, or one that died left traces."""
    held = workspace.root / HELD
    if held.exists() and held.stat().st_size:
        with held.open("a+", encoding="utf-8") as handle:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                yield Finding(
                    "locks", "note", "a run died while it held the workspace", "nothing to do: it let go by dying"
                )
            except BlockingIOError:
                handle.seek(0)
                yield Finding("locks", "note", f"a run holds the workspace: {handle.read()[:200]}")
    else:
        yield Finding("locks", "fine", "nobody holds the workspace")
    if (workspace.lake / TAKING).exists():
        yield Finding(
            "lake",
            "note",
            "a run was cut off while it took files in",
            "the next run sweeps up and goes on",
            "lake.interrupted",
        )


def look_after(workspace: Workspace, now: dt.datetime) -> list[Finding]:
    """Look at everything that needs no server; returns the findings in the order they are best mended."""
    if not Path(workspace.root).is_dir():
        return [Finding("workspace", "wrong", f"there is no folder {workspace.root}", "run 'taretrace init' on it")]
    out = [*permissions(workspace), *disk(workspace), *clock(workspace, now), *season(workspace)]
    if any(f.state == "wrong" and f.check.startswith("season") for f in out):
        return out
    return [*out, *locks(workspace), *stored_data(workspace)]
