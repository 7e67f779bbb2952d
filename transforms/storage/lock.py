"""Locks between processes, and the workspace lock: one run at a time; a second run reports which run owns the lock."""

import datetime as dt
import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from transforms.errors import WorkspaceError

NAME, OWNER = ".held", ".held.json"
"""The locked file, and the file that names its owner: Windows denies others to read a locked file."""
POLL_S = 0.2


@contextmanager
def locked_file(path: Path, wait_s: float = 0.0, poll_s: float = POLL_S) -> Iterator[bool]:
    """Lock a file while the block runs, and create it if it is missing; the lock is released if the process dies.

    Args:
        path: the file; its content is neither read nor changed.
        wait_s: how long to wait for another process to release it.
        poll_s: seconds between two attempts.

    Yields:
        True if the file is locked for this block; False if another process has locked it.
    """
    from filelock import lock_descriptor, unlock_descriptor  # noqa: PLC0415 (keeps --help fast)

    with path.open("ab") as handle:
        until = time.monotonic() + wait_s
        while not (is_locked := lock_descriptor(handle.fileno(), blocking=False)) and time.monotonic() < until:
            time.sleep(poll_s)
        try:
            yield is_locked
        finally:
            if is_locked:
                unlock_descriptor(handle.fileno())


def lock_owner(root: Path) -> dict[str, str]:
    """Return `command, process, since` of the run that owns a workspace's lock; empty if no file states them."""
    try:
        note = json.loads((root / OWNER).read_text("utf-8"))
        return {key: str(note[key]) for key in ("command", "process", "since")}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _locked(root: Path) -> WorkspaceError:
    owner = lock_owner(root)
    return WorkspaceError(
        "'taretrace {command}' (process {process}, since {since}) is using the workspace"
        if owner
        else "another run is using the workspace",
        where=str(root),
        remedy="wait until it ends, or run the command again with --wait SECONDS",
        **owner,
    )


@contextmanager
def lock_workspace(root: Path, command: str, wait_s: float = 0.0) -> Iterator[None]:
    """Lock a workspace while the block runs; the lock is released if the process dies.

    Args:
        root: the workspace folder.
        command: the command that takes the lock, shown to a second run.
        wait_s: how long to wait for another run to end.

    Raises:
        WorkspaceError: another run owns the lock.
    """
    with locked_file(root / NAME, wait_s) as is_locked:
        if not is_locked:
            raise _locked(root)
        since = dt.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M:%S")
        owner = root / OWNER
        owner.write_text(json.dumps({"command": command, "process": os.getpid(), "since": since}), "utf-8")
        try:
            yield
        finally:
            owner.unlink(missing_ok=True)
