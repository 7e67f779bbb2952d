"""Ends of a command: one sentence and an exit code for whatever went wrong; a traceback never reaches a user."""

import errno
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer

from flows.cli.output import complain, printable
from flows.runtime.interrupts import interrupted, noting_interrupts
from flows.runtime.progress import COURSE
from transforms.config.problems import ConfigError
from transforms.errors import WorkspaceError

STOPPED = 130
"""The exit code of a program that Ctrl-C ended, by the convention of shells: 128 + SIGINT."""


@contextmanager
def one_sentence() -> Iterator[None]:
    """Turn what went wrong in the block into one sentence and an exit code."""
    try:
        with noting_interrupts():
            yield
    except ConfigError as problem:
        first, *more = problem.lines()
        complain(first)
        for line in more:
            typer.echo(printable(line), err=True)
        sys.exit(2)
    except WorkspaceError as problem:
        complain(str(problem))
        sys.exit(2)
    except KeyboardInterrupt:
        _stop()
    except OSError as problem:
        complain(_refused(problem))
        sys.exit(2)
    except (SystemExit, GeneratorExit):
        raise
    except BaseException as problem:  # noqa: BLE001 - a library's panic is not of the class `Exception`
        if interrupted():  # a library may turn Ctrl-C into an error of its own
            _stop()
        complain(f"an internal error ({type(problem).__name__}: {problem}); the workspace is whole; report it")
        sys.exit(3)


def call_app(app: typer.Typer) -> NoReturn:
    """Run the program's command line and exit with its code.

    Raises:
        KeyboardInterrupt: Ctrl-C was pressed.
    """
    try:
        code = app(standalone_mode=False)
    except typer.TyperException as problem:
        if message := problem.format_message().strip().rstrip("."):  # it is empty after help was shown
            complain(f"{message}; the option --help lists what is possible")
        sys.exit(problem.exit_code)
    except typer.Abort:
        complain("no answer was given: answer the question, or use the options that --help lists")
        sys.exit(2)
    if code == STOPPED:
        raise KeyboardInterrupt
    sys.exit(code)


def _refused(problem: OSError) -> str:
    if isinstance(problem, PermissionError):
        return f"no permission for {problem.filename}: correct the folder's permissions and run again"
    if problem.errno == errno.ENOSPC:
        what, remedy = "the disk is full", "make room on the workspace's disk"
    else:
        what, remedy = f"the file system refused ({problem})", "correct that"
    return f"{what}: {remedy} and run the same command again; nothing is lost"


def _stop() -> NoReturn:
    """Report what was done before Ctrl-C, and exit as shells expect it."""
    complain(f"{COURSE.stopped()}; run the same command again and it does the rest")
    sys.exit(STOPPED)
