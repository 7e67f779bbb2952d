"""The stages of a run as Prefect tasks, in order, with retries around input and output only."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from prefect import task
from prefect.cache_policies import NO_CACHE

from flows import stages
from flows.runtime.progress import Reporter
from flows.stages import pages
from transforms.config.workspace import Workspace
from transforms.ingest.ingest_file import IngestedFile
from transforms.parallel import Executor


def _io_fault(_task: Any, _run: Any, state: Any) -> bool:
    """Retry only what may pass by itself: the file system, never a wrong call or a fault of ours."""
    try:
        state.result()
    except OSError:
        return True
    except Exception:  # noqa: BLE001
        return False
    return False


def step(function: Callable[..., Any], *, retries: int = 0, wait_s: float = 2) -> Any:
    """Return a stage as a task of the running flow."""
    made = task(
        name=function.__name__,
        retries=retries,
        retry_delay_seconds=wait_s,
        cache_policy=NO_CACHE,
        persist_result=False,
        retry_condition_fn=_io_fault if retries else None,
    )
    return made(function)


def files_to_facts(workspace: Workspace, reporter: Reporter, spread: Executor) -> list[IngestedFile]:
    """Files in, facts out: find new files, read, bin, trace, conditions, marts; return what was received."""
    received: list[IngestedFile] = step(stages.receive_files, retries=2)(workspace, reporter, spread)
    step(stages.bin_telemetry, retries=2)(workspace, reporter, spread)
    step(stages.trace)(workspace, reporter, spread)
    step(stages.conditions)(workspace, reporter)
    step(stages.marts)(workspace, reporter)
    step(stages.keep)(workspace, reporter)
    return received


def after_facts(workspace: Workspace, reporter: Reporter, spread: Executor, *, judge: bool = True) -> list[Path]:
    """Facts in, page out: fit, checks, comparison, advice, guide, shift page; return the pages.

    Unless `judge`, what judges model and fleet by fitting again stands as it was worked out last, where it was.
    """
    fits = step(stages.fit)(workspace, reporter, spread)
    step(stages.check_fits)(workspace, fits, reporter, spread, refits=judge)
    step(stages.compare)(workspace, fits, reporter, spread, anew=judge)
    step(stages.advise)(workspace, fits, reporter)
    step(stages.guide)(workspace, fits, reporter, spread)
    written: list[Path] = step(pages.shift_page, retries=2)(workspace, reporter)
    return written
