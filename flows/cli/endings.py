"""Error handling of the command line: every error ends in one sentence and an exit code, never in a traceback."""

import errno
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer
from rich.console import Console

from flows.cli.output import complain, print_line
from flows.runtime.interrupts import is_interrupted, record_interrupts
from flows.runtime.progress import PROGRESS
from transforms.config.problems import ConfigError
from transforms.errors import WorkspaceError

STOPPED = 130
"""Exit code after Ctrl-C, by shell convention: 128 + SIGINT."""


@contextmanager
def one_sentence() -> Iterator[None]:
    """Turn any error in the block into one sentence and an exit code."""
    try:
        with record_interrupts():
            yield
    except ConfigError as problem:
        first, *more = problem.lines()
        complain(first)
        for line in more:
            print_line(Console(stderr=True), line)
        sys.exit(2)
    except WorkspaceError as problem:
        complain(str(problem))
        sys.exit(2)
    except KeyboardInterrupt:
        _stop()
    except OSError as problem:
        complain(_describe_os_error(problem))
        sys.exit(2)
    except (SystemExit, GeneratorExit):
        raise
    except BaseException as problem:  # noqa: BLE001 - a panic in a library is not an `Exception`
        if is_interrupted():  # a library may turn Ctrl-C into another error
            _stop()
        complain(
            f"an internal error ({type(problem).__name__}: {problem}); the workspace is intact; please report the error"
        )
        sys.exit(3)


def call_app(app: typer.Typer) -> NoReturn:
    """Run the command line and exit with its code.

    Raises:
        KeyboardInterrupt: Ctrl-C was pressed.
    """
    try:
        code = app(standalone_mode=False)
    except typer.TyperException as problem:
        if message := problem.format_message().strip().rstrip("."):  # empty after help was shown
            complain(f"{message}; use --help to list the options")
        sys.exit(problem.exit_code)
    except typer.Abort:
        complain("no answer was given: answer the question, or use an option from --help")
        sys.exit(2)
    if code == STOPPED:
        raise KeyboardInterrupt
    sys.exit(code)


def _describe_os_error(problem: OSError) -> str:
    if isinstance(problem, PermissionError):
        return f"permission denied for {problem.filename}: correct the permissions of the folder and run again"
    if problem.errno == errno.ENOSPC:
        what, remedy = "the disk is full", "free space on the disk of the workspace"
    else:
        what, remedy = f"the file system reported an error ({problem})", "correct its cause"
    return f"{what}: {remedy} and run the same command again; no data are lost"


def _stop() -> NoReturn:
    """Report the progress made before Ctrl-C and exit with the code that shells expect."""
    complain(f"{PROGRESS.stopped()}; run the same command again to complete it")
    sys.exit(STOPPED)
