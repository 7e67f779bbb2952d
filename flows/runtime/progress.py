"""Progress of a command: bars on a terminal, plain lines elsewhere, nothing with `--json`."""

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from time import perf_counter

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from flows.cli.output import print_line
from flows.cli.printable import printable
from flows.runtime.verbosity import VERBOSITY
from reports.language.translate import Counted, mark, say, say_text

KEPT = mark("stopped in the stage '{stage}', which is unfinished; results of earlier stages are kept")
FIRST = mark("stopped in the stage '{stage}', which is unfinished; no earlier stage was finished")
KEPT_COUNTED = mark("stopped in the stage '{stage}' with {done} of {total} done; results of earlier stages are kept")
FIRST_COUNTED = mark("stopped in the stage '{stage}' with {done} of {total} done; no earlier stage was finished")


@dataclass
class Stage:
    """Stage of the running command and its progress."""

    label: str
    total: int | None
    done: int = 0
    has_ended: bool = False

    def advance(self) -> None:
        """Count one more item as done."""
        self.done += 1


class CommandProgress:
    """Stages of the running command, in order; a process runs one command."""

    def __init__(self) -> None:
        self.stages: list[Stage] = []

    def begin(self, label: str, total: int | None) -> Stage:
        """Start and return a new stage."""
        self.stages.append(Stage(label, total))
        return self.stages[-1]

    def stopped(self) -> str:
        """Return a sentence on the completed and unfinished stages of a stopped command."""
        if not self.stages:
            return say("stopped before the first stage")
        running = next((s for s in reversed(self.stages) if not s.has_ended), None)
        if running is None:
            return say("stopped after the stage '{stage}'; its results are kept", stage=self.stages[-1].label)
        has_earlier = any(s.has_ended for s in self.stages)
        text = (KEPT_COUNTED if has_earlier else FIRST_COUNTED) if running.total else (KEPT if has_earlier else FIRST)
        return say(text, stage=running.label, done=running.done, total=running.total)


PROGRESS = CommandProgress()


class Reporter:
    """Progress output on standard error, so that `--json` on standard output stays clean.

    If `log` is set, it receives the name and duration of each completed stage.

    This is not a dataclass, because Prefect rebuilds dataclasses among the parameters of a flow.
    """

    def __init__(self, *, quiet: bool = False) -> None:
        self.quiet = quiet or VERBOSITY.is_quiet
        self.console = Console(stderr=True)
        self.log: Callable[..., None] | None = None

    @contextmanager
    def stage(self, text: str | Counted, total: int | None = None) -> Iterator[Callable[[], None]]:
        """Show one stage; yield a function to call after each of its `total` items.

        Args:
            text: marked name of the stage; the log receives it in English.
            total: number of items; also the count of a text with a plural.
        """
        label = say_text(text, n=total or 0)
        started, stage = perf_counter(), PROGRESS.begin(label, total)
        if self.quiet:
            yield stage.advance
            self._log_stage(text, total, started)
            stage.has_ended = True
            return
        if VERBOSITY.is_verbose:
            clock = dt.datetime.now().astimezone().strftime("%H:%M:%S")
            print_line(self.console, Text(f"{clock} ", "dim"), say("{stage} begins", stage=label))
        if self.console.is_terminal:
            columns = (
                SpinnerColumn(),
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                MofNCompleteColumn(),
                TimeElapsedColumn(),
            )
            with Progress(*columns, console=self.console, transient=True) as bars:
                bar = bars.add_task(printable(label), total=total)

                def advance() -> None:
                    stage.advance()
                    bars.advance(bar)

                yield advance
        else:
            yield stage.advance
        stage.has_ended = True
        seconds = Text(f"{perf_counter() - started:.1f} s", "dim")
        print_line(self.console, Text("✓ ", "green"), f"{label} ", seconds)
        self._log_stage(text, total, started)

    def _log_stage(self, text: str | Counted, total: int | None, started: float) -> None:
        if self.log is not None:
            english = text if isinstance(text, str) else (text.one if total == 1 else text.many).format(n=total)
            self.log(stage=english, seconds=round(perf_counter() - started, 2))

    def __reduce__(self) -> tuple[Callable[[], "Reporter"], tuple[()]]:
        """Return a silent copy for another process, whose output no user sees."""
        return _make_silent_reporter, ()

    def line(self, text: str) -> None:
        """Print one line unless quiet."""
        if not self.quiet:
            print_line(self.console, text)


def _make_silent_reporter() -> Reporter:
    return Reporter(quiet=True)
