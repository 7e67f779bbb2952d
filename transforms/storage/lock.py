"""The workspace lock: one run at a time; a second run reports which run owns the lock."""

import datetime as dt
import fcntl
import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from transforms.errors import WorkspaceError

NAME = ".held"
POLL_S = 0.2


def lock_owner(path: Path) -> dict[str, str]:
    """Return `command, process, since` of the run that owns a lock file; empty if the file does not state them."""
    try:
        note = json.loads(path.read_text("utf-8"))
        return {key: str(note[key]) for key in ("command", "process", "since")}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _locked(path: Path, root: Path) -> WorkspaceError:
    owner = lock_owner(path)
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
    path = root / NAME
    with path.open("a+", encoding="utf-8") as handle:
        until = time.monotonic() + wait_s
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= until:
                    raise _locked(path, root) from None
                time.sleep(POLL_S)
        since = dt.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M:%S")
        handle.truncate(0)
        handle.write(json.dumps({"command": command, "process": os.getpid(), "since": since}))
        handle.flush()
        try:
            yield
        finally:
            handle.truncate(0)
