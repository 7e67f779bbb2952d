"""Work on a Dask cluster, through Prefect's task runner: pieces of many jobs each, their results in order."""

import pickle
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any, TypeVar

from prefect import Flow, task
from prefect.cache_policies import NO_CACHE
from prefect.context import FlowRunContext

from transforms.errors import WorkspaceError
from transforms.running import Place
from transforms.spread import Spread

Job = TypeVar("Job")
Result = TypeVar("Result")
PIECES_A_WORKER = 12
"""So many pieces of a work for each worker: enough to even out, few enough that handing over costs little."""
MOST_JOBS = 64
AHEAD = 2
"""Pieces that wait for each worker beyond the one it is at: memory here holds the results of so many."""


@task(name="piece", retries=2, retry_delay_seconds=1, persist_result=False, cache_policy=NO_CACHE)
def piece(packed: bytes) -> bytes:
    """Do one work to some jobs; where its worker dies, another does it again."""
    work, jobs = pickle.loads(packed)  # noqa: S301 - from our own flow
    return pickle.dumps([work(job) for job in jobs])


def on_cluster(work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
    """Do jobs on the workers of the running flow's cluster, which begin at once; a `Spread`."""
    running = FlowRunContext.get()
    if running is None:
        raise RuntimeError("work goes to a cluster only from inside a flow")
    workers = max(1, len(running.task_runner.client.nthreads()))  # type: ignore[attr-defined]
    size = min(MOST_JOBS, max(1, -(-len(jobs) // (PIECES_A_WORKER * workers))))
    pieces = iter([jobs[k : k + size] for k in range(0, len(jobs), size)])
    waiting = deque(_submit(work, mine) for mine in islice(pieces, workers * (1 + AHEAD)))
    return _results(work, pieces, waiting)


def _submit(work: Callable[[Job], Result], jobs: Sequence[Job]) -> Any:
    # As bytes: Prefect would look through all that jobs are made of, here and on the worker.
    return piece.submit(pickle.dumps((work, jobs)))


def _results(work: Callable[[Job], Result], pieces: Iterator[Sequence[Job]], waiting: deque[Any]) -> Iterator[Result]:
    while waiting:
        done = waiting.popleft().result()
        if (mine := next(pieces, None)) is not None:
            waiting.append(_submit(work, mine))
        yield from pickle.loads(done)  # noqa: S301 - from our own worker


def placed(flow: Flow[..., Any], place: Place, local: Spread) -> tuple[Flow[..., Any], Spread]:
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
            f"engine is dask, but {problem.name} is not installed", where="season.toml [run]",
            mend="install requirements-cluster.txt here and on the workers",
        ) from problem  # fmt: skip
    try:
        Client(place.address, timeout="10s", set_as_default=False).close()  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as problem:
        raise WorkspaceError(
            f"no Dask scheduler answers at {place.address}", where="season.toml [run] address",
            mend="start one there with 'dask scheduler', or mend the address",
        ) from problem  # fmt: skip
    runner: Any = DaskTaskRunner(address=place.address)
    return flow.with_options(task_runner=runner), on_cluster
