"""How many like pieces of work are done: here one after the other, or by others at once. Results keep their order."""

import os
import pickle
import shutil
import signal
import tempfile
import threading
import time
import weakref
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from functools import lru_cache
from importlib import import_module
from multiprocessing import active_children, get_context, parent_process, resource_tracker
from pathlib import Path
from types import TracebackType
from typing import Any, Generic, Protocol, Self, TypeVar, runtime_checkable

Job = TypeVar("Job")
Result = TypeVar("Result")
Value = TypeVar("Value")
MIN_PARALLEL_TASKS = 48
"""Fewer jobs than this are done sooner here than processes start."""
MANY, PIECE = 64, 4
"""Of many jobs so few are handed over at once; of fewer, one."""
AHEAD = 3
ORPHAN_AGE_S = 3600.0
WARM_UP_MODULE = "transforms.jobs.fit_jobs"
"""What takes longest to import of what is spread."""


@runtime_checkable
class Executor(Protocol):
    """Does one work to many jobs, which may run at once, anywhere, and more than once: a work's effects must allow it.

    `work` is a function of a module, jobs and results can be pickled, and nothing of a result depends on another job.
    """

    def __call__(self, work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
        """Yield the results in the order of the jobs."""
        ...


def serial(work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
    """Do one job after the other in this process; memory holds one result at a time."""
    return map(work, jobs)


def end_with_parent() -> None:
    """Have this helper end when its parent does: one that was killed has told nobody, and it would wait for ever."""
    threading.Thread(target=_wait_for_the_end, daemon=True).start()


def _wait_for_the_end() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _alone() -> None:
    """A process that is one of many uses one thread, set before polars is first imported, and ends with its parent."""
    os.environ["POLARS_MAX_THREADS"] = "1"
    end_with_parent()


def run_batch(work: Callable[[Job], Result], jobs: Sequence[Job]) -> list[Result]:
    """Do one work to some jobs."""
    return [work(job) for job in jobs]


def local(spread: Executor) -> Executor:
    """Return how what is too big to send far is done: by this machine's processes, or here."""
    return spread if isinstance(spread, ProcessExecutor) else serial


class SharedValue(Generic[Value]):
    """Something big that many jobs are about: another process of this machine reads it once, not with every job.

    What is handed over is the path of a file, written when it is first asked for and removed with this object.
    """

    def __init__(self, value: Value) -> None:
        self.value = value
        self._path: str | None = None

    def __reduce__(self) -> tuple[Callable[[str], "SharedValue[Value]"], tuple[str]]:
        """Be the file's content in another process."""
        if self._path is None:
            remove_orphans()
            handle, self._path = tempfile.mkstemp(prefix=f"taretrace-{os.getpid()}-")
            weakref.finalize(self, os.unlink, self._path)
            with os.fdopen(handle, "wb") as file:
                pickle.dump(self.value, file, protocol=pickle.HIGHEST_PROTOCOL)
        return _shared_at, (self._path,)


def remove_orphans() -> None:
    """Remove temporary files and folders that killed processes of this user left behind, an hour and more ago."""
    for path in Path(tempfile.gettempdir()).glob("taretrace-*-*"):
        with suppress(FileNotFoundError):
            about, owner = path.lstat(), path.name.split("-")[1]
            old = about.st_uid == os.getuid() and about.st_mtime < time.time() - ORPHAN_AGE_S
            if not old or not owner.isdigit() or _is_alive(int(owner)):
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink()


def _is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass  # somebody else's
    return True


@lru_cache(maxsize=2)
def _shared_at(path: str) -> "SharedValue[Any]":
    with Path(path).open("rb") as file:
        return SharedValue(pickle.load(file))  # noqa: S301 - written by our own parent, readable by its user alone


@contextmanager
def _shielded_from_ctrl_c() -> Iterator[None]:
    """Start processes in the block that Ctrl-C does not reach: this process ends them."""
    resource_tracker.ensure_running()  # when it starts, it lifts the mask of whoever starts it
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class ProcessExecutor:
    """A `Spread` over this machine's processors, started where there is enough to do and kept until the block ends."""

    def __init__(self, count: int | None = None) -> None:
        self.count = count or os.cpu_count() or 1
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            if kind is not None and not issubclass(kind, Exception):  # Ctrl-C: no result is waited for
                for process in active_children():
                    process.terminate()
            self._pool.shutdown(cancel_futures=True)

    def __reduce__(self) -> tuple[type["ProcessExecutor"], tuple[int]]:
        """In another process it does its work alone."""
        return ProcessExecutor, (1,)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # Spawned, not forked: the threads of polars and duckdb do not survive a fork.
            self._pool = ProcessPoolExecutor(self.count, mp_context=get_context("spawn"), initializer=_alone)
        return self._pool

    def warm(self) -> None:
        """Start the processes now and go on: for what is known to be much work of few jobs."""
        if self.count > 1:
            for _ in range(self.count):
                with _shielded_from_ctrl_c():
                    self._started().submit(import_module, WARM_UP_MODULE)

    def __call__(self, work: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
        """Do jobs, a few at a time in each process."""
        if self.count == 1 or len(jobs) == 1 or (self._pool is None and len(jobs) < MIN_PARALLEL_TASKS):
            yield from serial(work, jobs)
            return
        waiting: deque[tuple[Sequence[Job], Future[list[Result]]]] = deque()
        size = PIECE if len(jobs) >= MANY else 1
        for k in range(0, len(jobs), size):
            some = jobs[k : k + size]
            waiting.append((some, self._submit(work, some)))
            if len(waiting) > self.count * AHEAD:
                yield from self._next(work, waiting)
        while waiting:
            yield from self._next(work, waiting)

    def _submit(self, work: Callable[[Job], Result], jobs: Sequence[Job]) -> "Future[list[Result]]":
        try:
            with _shielded_from_ctrl_c():
                return self._started().submit(run_batch, work, jobs)
        except BrokenProcessPool:
            self._pool = None
            with _shielded_from_ctrl_c():
                return self._started().submit(run_batch, work, jobs)

    def _next(
        self, work: Callable[[Job], Result], waiting: "deque[tuple[Sequence[Job], Future[list[Result]]]]"
    ) -> list[Result]:
        """Return the results of the jobs that wait longest; if a process died, they and all others run once more.

        Raises:
            BrokenProcessPool: a process died again.
        """
        jobs, first = waiting.popleft()
        try:
            return first.result()
        except BrokenProcessPool:
            self._pool = None
            again = self._submit(work, jobs)
            others = [(some, self._submit(work, some)) for some, _ in waiting]
            waiting.clear()
            waiting.extend(others)
            return again.result()
