"""Error handling of the command line: every error ends in one sentence and an exit code, never in a traceback."""

import errno
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer
from rich.console import Console

from flows.cli.output import complain, print_line
from flows.runtime.interrupts import is_interrupted, record_interrupts
from flows.runtime.progress import PROGRESS
from flows.runtime.verbosity import VERBOSITY
from reports.language.translate import say
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
        from reports.language.error_text import config_lines

        first, *more = config_lines(problem)
        complain(first)
        for line in more:
            print_line(Console(stderr=True), line)
        sys.exit(2)
    except WorkspaceError as problem:
        from reports.language.error_text import error_text

        complain(error_text(problem))
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
        if VERBOSITY.is_verbose:
            traceback.print_exc()
        complain(
            say(
                "an internal error ({problem}); the workspace is intact; please report the error",
                problem=f"{type(problem).__name__}: {problem}",
            )
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
        from flows.cli.call_errors import describe_call_error
        from flows.cli.help import set_call_language

        set_call_language()
        if message := describe_call_error(problem):  # empty after help was shown
            complain(say("{message} (see --help)", message=message))
        sys.exit(problem.exit_code)
    except typer.Abort:
        complain(say("no answer was given: answer the question, or use an option from --help"))
        sys.exit(2)
    if code == STOPPED:
        raise KeyboardInterrupt
    sys.exit(code)


def _describe_os_error(problem: OSError) -> str:
    if isinstance(problem, PermissionError):
        return say(
            "permission denied for {file}: correct the permissions of the folder and run again",
            file=str(problem.filename),
        )
    if problem.errno == errno.ENOSPC:
        return say(
            "the disk is full: free space on the disk of the workspace and run the same command again; no data are lost"
        )
    return say(
        "the file system reported an error ({problem}): correct its cause and run the same command again; no data are "
        "lost",
        problem=str(problem),
    )


def _stop() -> NoReturn:
    """Report the progress made before Ctrl-C and exit with the code that shells expect."""
    complain(say("{stopped}; run the same command again to complete it", stopped=PROGRESS.stopped()))
    sys.exit(STOPPED)
