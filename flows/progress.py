"""Progress on screen: bars where a person looks on, plain lines elsewhere, silence for scripts."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import perf_counter

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from flows.shown import print_line, printable


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
        started = perf_counter()
        if self.quiet:
            yield lambda: None
            self._logged(label, started)
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
                yield lambda: bars.advance(bar)
        else:
            yield lambda: None
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
