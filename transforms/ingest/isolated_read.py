"""Reads what people send in reader processes: one that is kept for file after file, or some side by side."""

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any, TypeVar

from transforms.errors import WorkspaceError
from transforms.ingest.read_file import FileRead, ReadJob, read_file
from transforms.ingest.reader_process import ReaderProcess, memory_limit, time_limit
from transforms.storage.lake import Lake

Result = TypeVar("Result")
KEEP_BYTES = 512 << 20
"""A reader that has grown beyond this is ended after the files of a run: others need the memory."""
AHEAD = 3
READING = ".reading"
"""A file of the workspace that a reader locks while it may write to the lake."""
ORPHAN_S, LOOK_EVERY_S = 60.0, 0.05
_local = threading.local()


def reader() -> ReaderProcess:
    """Return this thread's reader process, which is started once and kept."""
    kept: ReaderProcess | None = getattr(_local, "reader", None)
    if kept is None:
        kept = _local.reader = ReaderProcess()
    return kept


def release_reader() -> None:
    """End this thread's reader process if it holds much memory."""
    if reader().held_bytes() > KEEP_BYTES:
        reader().close()


def run_isolated(function: Callable[..., Result], path: Path, *arguments: Any) -> Result:
    """Call a function that reads a file, given its path, in a reader process.

    Raises:
        ReaderFailureError: the reader did not survive it.
        ReadError: the function failed.
        SourceFileError, WorkspaceError, OSError: as the function raised it.
    """
    size = sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size
    return reader().call(function, path.absolute(), *arguments, seconds=time_limit(size))


class IsolatedRead:
    """Reads a file in a reader process; stands in for `read_file`.

    Args:
        root: the workspace, if telemetry goes to its lake.
    """

    def __init__(self, root: Path | None = None) -> None:
        self.lock = None if root is None else (root / READING).absolute()

    def __call__(self, job: ReadJob) -> FileRead:
        """Read a file in this thread's reader."""
        return self.by(reader(), job)

    def by(self, process: ReaderProcess, job: ReadJob) -> FileRead:
        """Read a file in a reader."""
        seconds = time_limit(job.found.size)
        return process.call(_read_locked, self.lock, os.getpid(), read_file, _absolute(job), seconds=seconds)

    def side_by_side(self, jobs: Sequence[ReadJob], count: int) -> Generator[FileRead | None]:
        """Yield what some readers of one thread each read, in order; None for a file that is to be read alone."""
        readers = [ReaderProcess(memory_limit(count), threads=1) for _ in range(count)]
        idle: SimpleQueue[ReaderProcess] = SimpleQueue()

        def read(job: ReadJob) -> FileRead | None:
            process = idle.get()
            try:
                return self.by(process, job)
            except Exception:  # noqa: BLE001 - read alone, it comes up again and is reported
                job.onto.forget(job.found.sha)
                return None
            finally:
                idle.put(process)

        for process in readers:
            process.start()
            idle.put(process)
        waiting: deque[Future[FileRead | None]] = deque()
        with ThreadPoolExecutor(count) as pool:
            try:
                for job in jobs:
                    waiting.append(pool.submit(read, job))
                    if len(waiting) > count * AHEAD:
                        yield waiting.popleft().result()
                while waiting:
                    yield waiting.popleft().result()
            finally:
                pool.shutdown(wait=False, cancel_futures=True)
                for process in readers:
                    process.close()


def _absolute(job: ReadJob) -> ReadJob:
    """Return a job that another process understands in whatever folder it was started."""
    found = replace(job.found, path=job.found.path.absolute())
    return replace(job, found=found, known=_absolute_lake(job.known), onto=_absolute_lake(job.onto))


def _absolute_lake(lake: Lake) -> Lake:
    return Lake(lake.root.absolute()) if isinstance(lake.root, Path) else lake


def _read_locked(lock: Path | None, parent: int, read: Callable[[ReadJob], FileRead], job: ReadJob) -> FileRead:
    """Read a file in a reader, unless its parent has ended: the next run waits for this lock, and must find it so."""
    with _locked(lock):
        if os.getppid() != parent:
            os._exit(1)
        return read(job)


@contextmanager
def _locked(path: Path | None) -> Iterator[None]:
    if path is None:
        yield
        return
    import fcntl  # noqa: PLC0415 - not on every system

    with path.open("a") as handle:
        fcntl.flock(handle, fcntl.LOCK_SH)
        yield


def wait_for_orphans(root: Path) -> None:
    """Wait until the readers of a run that was killed have ended: they write nothing after that.

    Raises:
        WorkspaceError: one does not end.
    """
    with suppress(ImportError):
        import fcntl  # noqa: PLC0415 - not on every system

        until = time.monotonic() + ORPHAN_S
        with (root / READING).open("a") as handle:
            while True:
                try:
                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    if time.monotonic() > until:
                        raise WorkspaceError(
                            "a reader of a run that was killed does not end",
                            where=str(root / READING),
                            remedy="end that process (see 'ps'), then run again",
                        ) from None
                    time.sleep(LOOK_EVERY_S)
                else:
                    return
