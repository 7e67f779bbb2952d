"""How many like pieces of work are done: here one after the other, or by others at once. Results keep their order."""

from collections.abc import Callable, Iterator, Sequence
from typing import Protocol, TypeVar, runtime_checkable

Job = TypeVar("Job")
Result = TypeVar("Result")


@runtime_checkable
class Spread(Protocol):
    """Does one work to many jobs, which may run at once, anywhere, and more than once: a work's effects must allow it.

    `work` is a function of a module, jobs and results can be pickled, and nothing of a result depends on another job.
    """

    def __call__(self, work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
        """Yield the results in the order of the jobs."""
        ...


def here(work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
    """Do one job after the other in this process; memory holds one result at a time."""
    return map(work, jobs)
