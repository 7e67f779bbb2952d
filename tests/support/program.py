"""Calls the program as a user does."""

import contextlib
import io
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from transforms.config.workspace import Workspace

PROGRAM = [sys.executable, "-c", "from flows.cli.app import main; main()"]


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


def taretrace_here(*words: str | Path) -> Ran:
    """Call the program in this process, where starting one for each of many calls would take longer than the calls."""
    from flows.cli.app import main  # noqa: PLC0415

    out, err, code = io.StringIO(), io.StringIO(), 0
    started = time.perf_counter()
    argv, sys.argv = sys.argv, ["taretrace", *map(str, words)]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1 if ended.code else 0
    finally:
        sys.argv = argv
    return Ran(code, out.getvalue(), err.getvalue(), time.perf_counter() - started)


@dataclass(frozen=True)
class Demo:
    """The demo season after `taretrace demo`."""

    workspace: Workspace
    ran: Ran
    outcome: dict[str, object]
