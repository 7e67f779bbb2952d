"""Executor on a Dask cluster: batches of jobs, results in input order."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeVar

from transforms.config.runtime import ExecutionConfig
from transforms.errors import WorkspaceError
from transforms.parallel import Executor, run_batch

Job = TypeVar("Job")
Result = TypeVar("Result")
BATCHES_PER_WORKER, MAX_JOBS_PER_BATCH = 24, 16
"""Target number of batches per worker and maximum batch size: small batches let all workers finish together."""
QUEUED_PER_WORKER = 2
"""Batches queued per worker beyond the running one; it limits the results that this process holds in memory."""
RETRIES = 2


@dataclass(frozen=True)
class DaskExecutor:
    """Executor on the workers of a cluster; implements `Executor`.

    Batches are plain Dask tasks: a Prefect task costs a worker 0.1 s and must reach the Prefect server from there.

    Attributes:
        client: the connection to the cluster's scheduler.
    """

    client: Any

    def __call__(self, work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
        """Run jobs on the workers; yield their results in order."""
        workers = max(1, len(self.client.nthreads()))
        size = min(MAX_JOBS_PER_BATCH, max(1, -(-len(jobs) // (BATCHES_PER_WORKER * workers))))
        submitted = (
            self.client.submit(run_batch, work, jobs[k : k + size], pure=False, retries=RETRIES)
            for k in range(0, len(jobs), size)
        )
        return _yield_results(submitted, deque(islice(submitted, workers * (1 + QUEUED_PER_WORKER))))


def _yield_results(submitted: Iterator[Any], waiting: deque[Any]) -> Iterator[Any]:
    while waiting:
        batch = waiting.popleft().result()
        waiting.extend(islice(submitted, 1))
        yield from batch


@contextmanager
def place_executor(place: ExecutionConfig, local: Executor) -> Iterator[Executor]:
    """Yield the executor of the configured engine: this machine or a Dask cluster.

    Args:
        place: execution settings of season.toml.
        local: executor of this machine.

    Raises:
        WorkspaceError: a cluster is configured, but its libraries are not installed or it does not answer.
    """
    if place.engine == "here":
        yield local
        return
    try:
        from distributed import Client  # noqa: PLC0415
    except ImportError as problem:
        raise WorkspaceError(
            "engine is dask, but {library} is not installed",
            where="season.toml [run]",
            remedy="install requirements-cluster.txt here and on the workers",
            library=problem.name,
        ) from problem
    try:
        client: Any = Client(place.address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as problem:
        raise WorkspaceError(
            "no Dask scheduler answers at {address}",
            where="season.toml [run] address",
            remedy="start one there with 'dask scheduler', or correct the address",
            address=place.address,
        ) from problem
    with client:
        yield DaskExecutor(client)
