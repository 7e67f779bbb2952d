"""Work on a Dask cluster, through Prefect's task runner: pieces of many jobs each, their results in order."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any, TypeVar

from prefect import Flow
from prefect.context import FlowRunContext

from transforms.config.runtime import ExecutionConfig
from transforms.errors import WorkspaceError
from transforms.parallel import Executor, run_batch

Job = TypeVar("Job")
Result = TypeVar("Result")
PIECES_A_WORKER, MOST_JOBS = 24, 16
"""Of a work, so many pieces for each worker, and at most so many jobs in one: small, so that all end together."""
AHEAD = 2
"""Pieces that wait for each worker beyond the one it is at: memory here holds the results of so many."""
RETRIES = 2


def dask_executor(work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
    """Do jobs on the workers of the running flow's cluster, which begin at once; a `Spread`.

    Pieces are tasks of Dask alone: one of Prefect costs a worker 0.1 s, and must reach its server from there.
    """
    running = FlowRunContext.get()
    if running is None:
        raise RuntimeError("work goes to a cluster only from inside a flow")
    client = running.task_runner.client  # type: ignore[attr-defined]
    workers = max(1, len(client.nthreads()))
    size = min(MOST_JOBS, max(1, -(-len(jobs) // (PIECES_A_WORKER * workers))))
    submitted = (
        client.submit(run_batch, work, jobs[k : k + size], pure=False, retries=RETRIES)
        for k in range(0, len(jobs), size)
    )
    return _results(submitted, deque(islice(submitted, workers * (1 + AHEAD))))


def _results(submitted: Iterator[Any], waiting: deque[Any]) -> Iterator[Any]:
    while waiting:
        done = waiting.popleft().result()
        waiting.extend(islice(submitted, 1))
        yield from done


def placed(flow: Flow[..., Any], place: ExecutionConfig, local: Executor) -> tuple[Flow[..., Any], Executor]:
    """Return a flow that runs where the season says, and how its work is spread; `local` is how it is here.

    Raises:
        WorkspaceError: the cluster is named, but its libraries are not installed, or nobody answers.
    """
    if place.engine == "here":
        return flow, local
    try:
        from distributed import Client  # noqa: PLC0415
        from prefect_dask.task_runners import DaskTaskRunner  # noqa: PLC0415
    except ImportError as problem:
        raise WorkspaceError(
            f"engine is dask, but {problem.name} is not installed",
            where="season.toml [run]",
            remedy="install requirements-cluster.txt here and on the workers",
        ) from problem
    try:
        Client(place.address, timeout="10s", set_as_default=False).close()  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as problem:
        raise WorkspaceError(
            f"no Dask scheduler answers at {place.address}",
            where="season.toml [run] address",
            remedy="start one there with 'dask scheduler', or remedy the address",
        ) from problem
    runner: Any = DaskTaskRunner(address=place.address)
    return flow.with_options(task_runner=runner), dask_executor
