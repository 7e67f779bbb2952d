"""Progress on screen: bars where a person looks on, plain lines elsewhere, silence for scripts."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from time import perf_counter

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from flows.cli.output import print_line, printable


@dataclass
class Stage:
    """One stage of the running command, and how far it is."""

    label: str
    total: int | None
    done: int = 0
    has_ended: bool = False

    def advance(self) -> None:
        """Count one more piece as done."""
        self.done += 1


class Course:
    """The stages of the running command, in order; one command runs in a process."""

    def __init__(self) -> None:
        self.stages: list[Stage] = []

    def begin(self, label: str, total: int | None) -> Stage:
        """Return a new stage that runs from now on."""
        self.stages.append(Stage(label, total))
        return self.stages[-1]

    def stopped(self) -> str:
        """Return what was and was not done when a person stopped the command."""
        if not self.stages:
            return "stopped before the first stage began"
        running = next((s for s in reversed(self.stages) if not s.has_ended), None)
        has_earlier = any(s.has_ended for s in self.stages)
        kept = "what earlier stages stored is kept" if has_earlier else "no stage was finished before it"
        if running is None:
            return f"stopped after the stage '{self.stages[-1].label}'; what it stored is kept"
        if running.total is None:
            return f"stopped in the stage '{running.label}', which is not finished; {kept}"
        return f"stopped in the stage '{running.label}' with {running.done} of {running.total} done; {kept}"


COURSE = Course()


class Reporter:
    """Tells what is going on. Goes to standard error, so that `--json` on standard output stays clean.

    Where `log` is set it gets the name and seconds of each stage that ends well.

    No dataclass: Prefect takes those apart where it hands a run's parameters on.
    """

    def __init__(self, *, quiet: bool = False) -> None:
        self.quiet = quiet
        self.console = Console(stderr=True)
        self.log: Callable[..., None] | None = None

    @contextmanager
    def stage(self, label: str, total: int | None = None) -> Iterator[Callable[[], None]]:
        """Show one stage; the block gets a function to call after each of `total` pieces."""
        started, stage = perf_counter(), COURSE.begin(label, total)
        if self.quiet:
            yield stage.advance
            self._logged(label, started)
            stage.has_ended = True
            return
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
        self._logged(label, started)

    def _logged(self, label: str, started: float) -> None:
        if self.log is not None:
            self.log(stage=label, seconds=round(perf_counter() - started, 2))

    def __reduce__(self) -> tuple[Callable[[], "Reporter"], tuple[()]]:
        """Elsewhere nobody looks on: a copy in another process is silent."""
        return _silent, ()

    def say(self, text: str) -> None:
        """Say one line."""
        if not self.quiet:
            print_line(self.console, text)


def _silent() -> Reporter:
    return Reporter(quiet=True)
