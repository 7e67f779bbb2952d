"""Executors that map a function over jobs, serially or in parallel processes, and preserve the order of results."""

import os
import pickle
import shutil
import signal
import sys
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
from multiprocessing import active_children, get_context, parent_process
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any, Generic, Protocol, Self, TypeVar, cast, runtime_checkable

Job = TypeVar("Job")
Result = TypeVar("Result")
Value = TypeVar("Value")
MIN_PARALLEL_TASKS = 48
"""With fewer jobs than this, serial execution is faster than starting processes."""
MIN_BATCHED_JOBS, BATCH_JOBS = 64, 4
"""From this number of jobs on, this many are submitted as one batch; fewer jobs are submitted one by one."""
PENDING_PER_PROCESS = 3
"""Batches submitted per process and not yet returned: limits the results in memory."""
ORPHAN_AGE_S = 3600.0
WARM_UP_MODULE = "transforms.jobs.fit_jobs"
"""The module with parallel jobs that takes longest to import."""


@runtime_checkable
class Executor(Protocol):
    """Interface of an executor, which applies one function to many jobs.

    Jobs may run at the same time, on any machine, and more than once, so the function must be idempotent. The function
    is defined at module level, jobs and results can be pickled, and no result depends on another job.
    """

    def __call__(self, function: Callable[[Job], Result], jobs: Sequence[Job], /) -> Iterator[Result]:
        """Yield the results in the order of the jobs."""
        ...


def serial(function: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
    """Run jobs one after the other in this process; only one result is in memory at a time."""
    return map(function, jobs)


def end_with_parent() -> None:
    """End this worker process when its parent ends: after a killed parent it would otherwise wait forever."""
    threading.Thread(target=_exit_after_parent, daemon=True).start()


def _exit_after_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _initialize_worker() -> None:
    """Limit a worker process to one thread before the first import of polars, and end it with its parent alone.

    On Ctrl-C the parent terminates its workers. SQLAlchemy is hidden: dataframely imports it wherever it is installed,
    for databases that no worker uses, which is a fifth of the start of a worker.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ["POLARS_MAX_THREADS"] = "1"
    sys.modules.setdefault("sqlalchemy", cast("ModuleType", None))
    end_with_parent()


def run_batch(function: Callable[[Job], Result], jobs: Sequence[Job]) -> list[Result]:
    """Return the results of a batch of jobs."""
    return [function(job) for job in jobs]


def local(executor: Executor) -> Executor:
    """Return an executor of this machine, for jobs too large to send over the network."""
    return executor if isinstance(executor, ProcessExecutor) else serial


class SharedValue(Generic[Value]):
    """A large value shared by many jobs: another process of this machine reads it once instead of with every job.

    Pickling passes the path of a file, which is written on the first pickling and removed with this object.
    """

    def __init__(self, value: Value) -> None:
        self.value = value
        self._path: str | None = None

    def __reduce__(self) -> tuple[Callable[[str], "SharedValue[Value]"], tuple[str]]:
        """Write the value to a file once, and pickle as a reference to it."""
        if self._path is None:
            remove_orphans()
            handle, self._path = tempfile.mkstemp(prefix=f"taretrace-{os.getpid()}-")
            weakref.finalize(self, os.unlink, self._path)
            with os.fdopen(handle, "wb") as file:
                pickle.dump(self.value, file, protocol=pickle.HIGHEST_PROTOCOL)
        return _load_shared, (self._path,)


def remove_orphans() -> None:
    """Remove temporary files and folders that killed processes of this user left more than an hour ago."""
    from psutil import pid_exists  # noqa: PLC0415 (keeps --help fast)

    with tempfile.TemporaryFile() as own:
        user = os.fstat(own.fileno()).st_uid  # where the system has no such numbers, the folder is the user's own
    for path in Path(tempfile.gettempdir()).glob("taretrace-*-*"):
        with suppress(FileNotFoundError, PermissionError):
            info, owner = path.lstat(), path.name.split("-")[1]
            old = info.st_uid == user and info.st_mtime < time.time() - ORPHAN_AGE_S
            if not old or not owner.isdigit() or pid_exists(int(owner)):
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink()


@lru_cache(maxsize=2)
def _load_shared(path: str) -> "SharedValue[Any]":
    with Path(path).open("rb") as file:
        return SharedValue(pickle.load(file))  # noqa: S301 - the parent process wrote it, readable only by its user


@contextmanager
def _shielded_from_ctrl_c() -> Iterator[None]:
    """Block Ctrl-C for processes started in the block, because this process terminates them itself.

    Windows cannot block it; there, a worker ignores Ctrl-C as soon as it has started.
    """
    if sys.platform == "win32" or not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker  # noqa: PLC0415 (of POSIX systems only)

    resource_tracker.ensure_running()  # start it now: its start resets the signal mask of the caller
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class ProcessExecutor:
    """Executor on worker processes of this machine, started for enough jobs and kept until the block ends."""

    def __init__(self, count: int | None = None) -> None:
        self.count = count or os.cpu_count() or 1
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            if kind is not None and not issubclass(kind, Exception):  # Ctrl-C: do not wait for results
                for process in active_children():
                    process.terminate()
            self._pool.shutdown(cancel_futures=True)

    def __reduce__(self) -> tuple[type["ProcessExecutor"], tuple[int]]:
        """Pickle as an executor of one process: a worker process must not start further ones."""
        return ProcessExecutor, (1,)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # Spawn, because the threads of polars and duckdb do not survive a fork.
            self._pool = ProcessPoolExecutor(
                self.count, mp_context=get_context("spawn"), initializer=_initialize_worker
            )
        return self._pool

    def warm(self, module: str = WARM_UP_MODULE) -> None:
        """Start the processes in the background; useful before few but long jobs.

        Args:
            module: module with the function of the jobs.
        """
        if self.count > 1:
            for _ in range(self.count):
                with _shielded_from_ctrl_c():
                    self._started().submit(import_module, module)

    def __call__(self, function: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
        """Yield the results in the order of the jobs, with a limited number of pending batches per process."""
        if self.count == 1 or len(jobs) == 1 or (self._pool is None and len(jobs) < MIN_PARALLEL_TASKS):
            yield from serial(function, jobs)
            return
        pending: deque[tuple[Sequence[Job], Future[list[Result]]]] = deque()
        size = BATCH_JOBS if len(jobs) >= MIN_BATCHED_JOBS else 1
        for k in range(0, len(jobs), size):
            batch = jobs[k : k + size]
            pending.append((batch, self._submit(function, batch)))
            if len(pending) > self.count * PENDING_PER_PROCESS:
                yield from self._next(function, pending)
        while pending:
            yield from self._next(function, pending)

    def _submit(self, function: Callable[[Job], Result], jobs: Sequence[Job]) -> "Future[list[Result]]":
        try:
            with _shielded_from_ctrl_c():
                return self._started().submit(run_batch, function, jobs)
        except BrokenProcessPool:
            self._pool = None
            with _shielded_from_ctrl_c():
                return self._started().submit(run_batch, function, jobs)

    def _next(
        self, function: Callable[[Job], Result], pending: "deque[tuple[Sequence[Job], Future[list[Result]]]]"
    ) -> list[Result]:
        """Return the results of the oldest pending batch; if a process died, run all pending batches once more.

        Raises:
            BrokenProcessPool: a process died again.
        """
        jobs, first = pending.popleft()
        try:
            return first.result()
        except BrokenProcessPool:
            self._pool = None
            repeated = self._submit(function, jobs)
            others = [(batch, self._submit(function, batch)) for batch, _ in pending]
            pending.clear()
            pending.extend(others)
            return repeated.result()
