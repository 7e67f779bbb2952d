"""Stages of a run as Prefect tasks, in order, with retries only around input and output."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from prefect import task
from prefect.cache_policies import NO_CACHE

from flows import stages
from flows.runtime.progress import Reporter
from flows.stages import pages
from reports.page.formats import OutputFormats
from transforms.config.workspace import Workspace
from transforms.ingest.ingest_file import IngestedFile
from transforms.parallel import Executor


def _is_io_error(_task: Any, _run: Any, state: Any) -> bool:
    """Return True if a task failed with a file system error, the only kind of error that a retry can solve."""
    try:
        state.result()
    except OSError:
        return True
    except Exception:  # noqa: BLE001
        return False
    return False


def as_stage_task(function: Callable[..., Any], *, retries: int = 0, wait_s: float = 2) -> Any:
    """Return a stage as a task of the running flow.

    Args:
        function: the stage.
        retries: number of retries after a file system error.
        wait_s: delay between retries, s.
    """
    as_task = task(
        name=function.__name__,
        retries=retries,
        retry_delay_seconds=wait_s,
        cache_policy=NO_CACHE,
        persist_result=False,
        retry_condition_fn=_is_io_error if retries else None,
    )
    return as_task(function)


def build_facts_from_files(workspace: Workspace, reporter: Reporter, executor: Executor) -> list[IngestedFile]:
    """Ingest new files and build the facts: read, bin, trace, conditions, marts, uptake, storability.

    Returns:
        The received files with their row counts.
    """
    received: list[IngestedFile] = as_stage_task(stages.receive_files, retries=2)(workspace, reporter, executor)
    as_stage_task(stages.bin_telemetry, retries=2)(workspace, reporter, executor)
    as_stage_task(stages.trace_loads)(workspace, reporter, executor)
    as_stage_task(stages.compute_conditions)(workspace, reporter)
    as_stage_task(stages.build_marts)(workspace, reporter)
    as_stage_task(stages.assess_uptake)(workspace, reporter)
    as_stage_task(stages.assess_storability)(workspace, reporter)
    return received


def fit_and_report(
    workspace: Workspace, reporter: Reporter, executor: Executor, *, refit_checks: bool = True
) -> list[Path]:
    """Fit and write the shift page: fit, checks, comparison, missing data, advice, guide, page.

    Args:
        workspace: the workspace.
        reporter: shows progress.
        executor: runs the jobs of each stage.
        refit_checks: run the checks that refit the model and the fleet comparison; if False, keep their stored results
            where they exist.

    Returns:
        The paths of the written pages.
    """
    fits = as_stage_task(stages.fit_responses)(workspace, reporter, executor)
    as_stage_task(stages.check_fits)(workspace, fits, reporter, executor, refits=refit_checks)
    as_stage_task(stages.compare_subjects)(workspace, fits, reporter, executor, recompute=refit_checks)
    if refit_checks:
        as_stage_task(stages.assess_missing_data)(workspace, reporter, executor)
    as_stage_task(stages.advise_machines)(workspace, fits, reporter)
    as_stage_task(stages.compute_guide)(workspace, fits, reporter, executor)
    notify = workspace.season.notify
    formats = OutputFormats(pdf=bool(notify.to) and notify.attach == "pdf")
    written: list[Path] = as_stage_task(pages.publish_shift_page, retries=2)(workspace, reporter, formats)
    return written
