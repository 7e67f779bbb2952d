"""The flow of a run that a person starts from the command line."""

from contextvars import ContextVar
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

from prefect import flow
from prefect.logging import get_run_logger
from prefect.states import Completed, Failed

from flows.pipeline.job_result import JobResult
from flows.pipeline.jobs import run_job
from flows.runtime.progress import Reporter
from flows.scheduling.flow_names import name_run
from flows.scheduling.schedule import POST_SHIFT, WHOLE
from transforms.config.workspace import Workspace
from transforms.errors import WorkspaceError, locate_error


@dataclass
class _Call:
    """A call from the command line, which the flow cannot take as a parameter without showing internal objects."""

    reporter: Reporter
    done: JobResult | None = None
    problem: BaseException | None = field(default=None)


_CALL: ContextVar[_Call] = ContextVar("call")


@flow(name=POST_SHIFT, flow_run_name=name_run, version=version("taretrace"), persist_result=False)
def _run_all_stages(workspace: str) -> Any:
    """Run every stage of a workspace, from new files to the shift page."""
    call = _CALL.get()
    try:
        call.done = run_job(WHOLE, Workspace(Path(workspace)), call.reporter)
    except Exception as problem:  # noqa: BLE001 - raised again outside Prefect, which would store its text
        call.problem = problem
        message = str(problem) if isinstance(problem, WorkspaceError) else locate_error(problem)
        get_run_logger().error(message)
        return Failed(message=message)
    return Completed(message=f"{len(call.done.received)} files received, {len(call.done.pages)} pages")


def run_all_stages(workspace: Workspace, reporter: Reporter) -> JobResult:
    """Run every stage of a workspace in a flow.

    Raises:
        Exception: the error of the stage that failed.
    """
    call = _Call(reporter)
    token = _CALL.set(call)
    try:
        state: Any = _run_all_stages(str(workspace.root.resolve()), return_state=True)
    finally:
        _CALL.reset(token)
    if call.problem is not None:
        raise call.problem
    if call.done is None:
        raise RuntimeError(f"the flow ended as {state.name}")
    return call.done
