"""Calls the program as a user does."""

import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from transforms.workspace import Workspace

PROGRAM = [sys.executable, "-c", "from flows.cli import main; main()"]


@dataclass(frozen=True)
class Ran:
    """A finished call of the program."""

    code: int
    out: str
    err: str
    seconds: float


def taretrace(*words: str | Path) -> Ran:
    """Call the program as a user does, in a process of its own."""
    started = time.perf_counter()
    done = subprocess.run([*PROGRAM, *map(str, words)], capture_output=True, text=True, check=False)
    return Ran(done.returncode, done.stdout, done.stderr, time.perf_counter() - started)


@dataclass(frozen=True)
class Demo:
    """The demo season after `taretrace demo`."""

    workspace: Workspace
    ran: Ran
    told: dict[str, object]
