"""Context of the running job, which its tasks share without showing it as parameters of the flow."""

from asyncio import CancelledError
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from prefect.logging import get_run_logger
from prefect.states import Completed

from flows import stages
from flows.runtime.progress import Reporter
from flows.stages import Fits
from flows.stages.fit import NightFitUse
from transforms.config.workspace import Workspace
from transforms.errors import locate_error
from transforms.ingest.ingest_file import IngestedFile
from transforms.operations.publish import Publication
from transforms.operations.stage_record import ADVISE, CHECK, COMPARE, FIT, GUIDE, KEPT, MISSING, REFITS, StageRecord
from transforms.parallel import Executor


class StageError(Exception):
    """A failed stage; its text has no content of any file, because Prefect stores it.

    Attributes:
        problem: the error itself.
    """

    def __init__(self, problem: BaseException) -> None:
        super().__init__(locate_error(problem))
        self.problem = problem


class StageResult:
    """Result of a task, which makes the edges of the task graph.

    This is not a dataclass: Prefect also follows the fields of those, and equal texts or empty tuples of two tasks are
    one object, which would make edges between tasks that do not wait for each other.

    Attributes:
        stage: its name.
        files: the files that the stage has written.
    """

    def __init__(self, stage: str, files: tuple[Path, ...] = ()) -> None:
        self.stage, self.files = stage, files


@dataclass
class RunContext:
    """State that the tasks of one run share.

    Attributes:
        workspace: the workspace.
        reporter: shows progress.
        executor: runs the jobs of each stage.
        refit_checks: recompute the checks that refit the model and the fleet comparison.
        night_fits: use of the night fits by the fit.
        skips: skip stages whose inputs and results have not changed.
        received: the files that the run received.
        fits: the fits of the run; None before they are made, and if no stage needs them.
        published: outcome of publishing the pages.
    """

    workspace: Workspace
    reporter: Reporter
    executor: Executor
    refit_checks: bool = True
    night_fits: NightFitUse = "ignore"
    skips: bool = True
    received: list[IngestedFile] = field(default_factory=list)
    fits: Fits | None = None
    published: Publication | None = None

    def __post_init__(self) -> None:
        self.record = StageRecord(self.workspace)

    @property
    def mode(self) -> str:
        """Variant of the fit, the checks and the comparison."""
        return REFITS if self.refit_checks else KEPT

    def need_fits(self) -> Fits:
        """Return the fits of the run.

        Raises:
            RuntimeError: the fit was skipped, although a later stage needs it.
        """
        if self.fits is None:
            raise RuntimeError("the fit was skipped, but a later stage needs it")
        return self.fits

    def find_current(self, stage: str, variant: str) -> tuple[Path, ...] | None:
        """Return the files of a stage that need not run; None if it must run."""
        if not self.skips:
            return None
        with stages.open_warehouse(self.workspace) as warehouse:
            # The fits are not stored: they are made again if any stage that reads them must run.
            together = [(s, self.variant_of(s)) for s in (FIT, CHECK, COMPARE, ADVISE, GUIDE)] if stage == FIT else []
            if any(self.record.current(warehouse, s, v) is None for s, v in together):
                return None
            current = self.record.current(warehouse, stage, variant)
        return None if current is None else current.files

    def variant_of(self, stage: str) -> str:
        """Return the variant of a fit stage."""
        return self.mode if stage in {FIT, CHECK, COMPARE, MISSING} else ""

    def store(self, stage: str, variant: str, written: tuple[Path, ...]) -> None:
        """Store that a stage has run; recomputed checks also serve runs that would keep them."""
        self.record.forget_content()
        with stages.open_warehouse(self.workspace) as warehouse:
            self.record.store(warehouse, stage, (REFITS, KEPT) if variant == REFITS else (variant,), written)


_RUN: ContextVar[RunContext] = ContextVar("run")


@contextmanager
def running(run: RunContext) -> Iterator[RunContext]:
    """Make a run the current one in a block, and send its stages to the log of the running task too."""
    token, log = _RUN.set(run), run.reporter.log

    def forward(**facts: Any) -> None:
        if log is not None:
            log(**facts)
        details = ", ".join(str(value) for key, value in facts.items() if key not in {"stage", "seconds"})
        ending = f"{facts['seconds']:.1f} s" if "seconds" in facts else details
        get_run_logger().info("%s: %s", facts.get("stage", ""), ending)

    run.reporter.log = forward
    try:
        yield run
    finally:
        run.reporter.log = log
        _RUN.reset(token)


def perform(name: str, work: Callable[[RunContext], Any], stage: str = "", variant: str = "") -> Any:
    """Run a stage in the current run, unless its inputs and results are unchanged.

    Args:
        name: name of the task.
        work: the stage; it may return the paths it wrote.
        stage: key of the stage in its record; empty if it always runs.
        variant: options of the stage that change its results.

    Returns:
        A `StageResult`, or a state named `Cached` with one.

    Raises:
        StageError: the stage failed.
    """
    run = _RUN.get()
    try:
        if stage and (files := run.find_current(stage, variant)) is not None:
            get_run_logger().info("skipped: its inputs and results are unchanged")
            return Completed(name="Cached", message="inputs and results are unchanged", data=StageResult(name, files))
        written = work(run)
        paths = tuple(p for p in written if isinstance(p, Path)) if isinstance(written, list) else ()
        if stage:
            run.store(stage, variant, paths)
    except (KeyboardInterrupt, SystemExit, GeneratorExit, CancelledError):
        raise
    except BaseException as problem:  # noqa: BLE001 - a panic in a library is not an `Exception`
        raise StageError(problem) from None
    return StageResult(name, paths)
