"""The post-shift run as a Prefect flow: the stages in order, with retries around input and output only."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from prefect import flow, task
from prefect.cache_policies import NO_CACHE

from flows import pages, stages
from flows.progress import Reporter
from transforms.workspace import Workspace


def _io_fault(_task: Any, _run: Any, state: Any) -> bool:
    """Retry only what may pass by itself: the file system, never a wrong call or a fault of ours."""
    try:
        state.result()
    except OSError:
        return True
    except Exception:  # noqa: BLE001
        return False
    return False


def _step(function: Callable[..., Any], *, retries: int = 0, wait_s: float = 2) -> Any:
    step = task(
        name=function.__name__,
        retries=retries,
        retry_delay_seconds=wait_s,
        cache_policy=NO_CACHE,
        persist_result=False,
        retry_condition_fn=_io_fault if retries else None,
    )
    return step(function)


@flow(name="post_shift", validate_parameters=False, persist_result=False)
def post_shift(workspace: Workspace, reporter: Reporter) -> tuple[list[Any], Path]:
    """Files in, page out: find new files, read, bin, trace, conditions, marts, fit, advice, shift page."""
    received = _step(stages.receive_files, retries=2)(workspace, reporter)
    _step(stages.bin_telemetry, retries=2)(workspace, reporter)
    _step(stages.trace)(workspace, reporter)
    _step(stages.conditions)(workspace, reporter)
    _step(stages.marts)(workspace, reporter)
    _step(stages.keep)(workspace, reporter)
    fits = _step(stages.fit)(workspace, reporter)
    _step(stages.check_fits)(workspace, fits, reporter)
    _step(stages.compare)(workspace, fits, reporter)
    _step(stages.advise)(workspace, fits, reporter)
    _step(stages.guide)(workspace, fits, reporter)
    page = _step(pages.shift_page, retries=2)(workspace, reporter)[0]
    return received, page
