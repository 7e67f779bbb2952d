"""Who holds a workspace: one run at a time, and the next is told which."""

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
LOOK_EVERY_S = 0.2


def _holder(path: Path) -> str:
    try:
        told = json.loads(path.read_text("utf-8"))
        return f"'taretrace {told['verb']}' (process {told['process']}, since {told['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another run"


@contextmanager
def held(root: Path, verb: str, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a workspace while the block runs; a run that dies lets go by itself.

    Args:
        root: the workspace folder.
        verb: what the holder is doing, for whoever comes second.
        wait_s: how long to wait for another run to end.

    Raises:
        WorkspaceError: another run holds it.
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
                    raise WorkspaceError(
                        f"{_holder(path)} holds the workspace",
                        where=str(root),
                        remedy="wait until it has ended, or call again with --wait SECONDS",
                    ) from None
                time.sleep(LOOK_EVERY_S)
        since = dt.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M:%S")
        handle.truncate(0)
        handle.write(json.dumps({"verb": verb, "process": os.getpid(), "since": since}))
        handle.flush()
        try:
            yield
        finally:
            handle.truncate(0)
