"""Start of a run from the command line: the flow engine starts only if there is work."""

from collections.abc import Iterator
from contextlib import contextmanager

from flows.pipeline.job_result import JobResult
from flows.runtime.prefect_server import Engine
from flows.runtime.progress import Reporter
from reports.language.translate import mark, say
from transforms.config.workspace import Workspace


def find_stored_pages(workspace: Workspace, reporter: Reporter) -> JobResult | None:
    """Return the result of a complete run without work, with the stored pages; None if there is work."""
    from transforms.operations.idle import stored_files  # noqa: PLC0415 (keeps --help fast)
    from transforms.operations.stage_record import SHIFT_PAGE, post_shift_stages  # noqa: PLC0415

    stored = stored_files(workspace, post_shift_stages(workspace.season, refits=True))
    if stored is None:
        return None
    from flows.pipeline.delivery import deliver_pages  # noqa: PLC0415

    reporter.line(say("Nothing has changed since the last run: its results and pages are kept."))
    return JobResult([], list(stored[SHIFT_PAGE]), deliver_pages(workspace, reporter))


@contextmanager
def _ready(engine: Engine | None, workspace: Workspace, reporter: Reporter) -> Iterator[None]:
    """Wait until an engine is ready, or start one for the block."""
    if engine is None:
        with Engine(workspace.home) as own, _ready(own, workspace, reporter):
            yield
        return
    with reporter.stage(mark("Starting the flow engine")):
        import flows.pipeline.manual  # noqa: F401, PLC0415 (imported while the server starts)

        engine.ready()
    yield


def run_post_shift(workspace: Workspace, reporter: Reporter, engine: Engine | None = None) -> JobResult:
    """Run every stage of a workspace, or return the stored result if there is no work.

    Args:
        workspace: the workspace, locked.
        reporter: shows progress.
        engine: an engine that is starting; None starts one if there is work.
    """
    if engine is None and (stored := find_stored_pages(workspace, reporter)) is not None:
        return stored
    with _ready(engine, workspace, reporter):
        from flows.pipeline.manual import run_all_stages  # noqa: PLC0415

        return run_all_stages(workspace, reporter)
