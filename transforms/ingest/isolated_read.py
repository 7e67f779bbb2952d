"""Reading of untrusted files in reader processes: one per thread that is reused, or several in parallel."""

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any, TypeVar

import psutil

from transforms.errors import WorkspaceError
from transforms.ingest.file_read import FileRead, ReadJob
from transforms.ingest.read_file import read_file
from transforms.ingest.reader_process import ReaderProcess, memory_limit, time_limit
from transforms.storage.lake import Lake
from transforms.storage.lock import locked_file

Result = TypeVar("Result")
KEEP_BYTES = 512 << 20
"""Memory above which a reader is closed after a run, to free it for other processes."""
AHEAD = 3
READERS = ".readers"
"""Folder of the workspace with a file per reader, which it locks while it may write to the lake."""
ORPHAN_S, LOOK_EVERY_S = 60.0, 0.05
_local = threading.local()


def get_reader() -> ReaderProcess:
    """Return the reader process of this thread; it is started once and reused."""
    cached: ReaderProcess | None = getattr(_local, "reader", None)
    if cached is None:
        cached = _local.reader = ReaderProcess()
    return cached


def prepare_reader() -> None:
    """Start the reader process of this thread without waiting for it."""
    get_reader().start()


def release_reader() -> None:
    """Close the reader process of this thread if it uses more than `KEEP_BYTES` of memory."""
    if get_reader().held_bytes() > KEEP_BYTES:
        get_reader().close()


def run_isolated(function: Callable[..., Result], path: Path, *arguments: Any) -> Result:
    """Call a function in a reader process, with the path of a file as its first argument.

    Args:
        function: a module-level function that reads the file.
        path: the file or folder; its size sets the time limit.
        arguments: further arguments of the function.

    Raises:
        ReaderFailureError: the reader process died, or exceeded its memory or time limit.
        ReadError: the function failed with an internal error.
        SourceFileError, WorkspaceError, OSError: raised by the function.
    """
    size = sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size
    return get_reader().call(function, path.absolute(), *arguments, seconds=time_limit(size))


class IsolatedRead:
    """Replacement for `read_file` that runs in a reader process.

    Args:
        root: the workspace, if telemetry is written to its lake.
    """

    def __init__(self, root: Path | None = None) -> None:
        self.readers = None if root is None else (root / READERS).absolute()

    def __call__(self, job: ReadJob) -> FileRead:
        """Read a file in the reader of this thread."""
        return self.read_with(get_reader(), job)

    def read_with(self, process: ReaderProcess, job: ReadJob) -> FileRead:
        """Read a file in the given reader."""
        seconds = time_limit(job.found.size)
        return process.call(_read_locked, self.readers, os.getpid(), read_file, _absolute(job), seconds=seconds)

    def side_by_side(self, jobs: Sequence[ReadJob], count: int) -> Generator[FileRead | None]:
        """Yield the results of `count` single-threaded readers, in job order; None for a file to be read alone."""
        readers = [ReaderProcess(memory_limit(count), threads=1) for _ in range(count)]
        idle: SimpleQueue[ReaderProcess] = SimpleQueue()

        def read(job: ReadJob) -> FileRead | None:
            process = idle.get()
            try:
                return self.read_with(process, job)
            except Exception:  # noqa: BLE001 - the error recurs and is reported when the file is read alone
                job.onto.delete_source(job.found.sha)
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
    """Return a job with absolute paths, valid in a process with another working directory."""
    found = replace(job.found, path=job.found.path.absolute())
    return replace(job, found=found, known=_absolute_lake(job.known), onto=_absolute_lake(job.onto))


def _absolute_lake(lake: Lake) -> Lake:
    return Lake(lake.root.absolute()) if isinstance(lake.root, Path) else lake


def _read_locked(readers: Path | None, parent: int, read: Callable[[ReadJob], FileRead], job: ReadJob) -> FileRead:
    """Read a file under a lock, or exit if the parent has ended: the next run waits only for readers with a lock."""
    if readers is None:
        return read(job)
    readers.mkdir(mode=0o700, exist_ok=True)
    own = readers / str(os.getpid())
    with locked_file(own):
        if all(ancestor.pid != parent for ancestor in psutil.Process().parents()):
            os._exit(1)
        found = read(job)
    own.unlink(missing_ok=True)
    return found


def wait_for_orphans(root: Path) -> None:
    """Wait until the readers of a killed run have ended, so that they no longer write to the lake.

    Raises:
        WorkspaceError: a reader is still running after `ORPHAN_S` seconds.
    """
    until = time.monotonic() + ORPHAN_S
    for path in sorted((root / READERS).glob("*")):
        with locked_file(path, until - time.monotonic(), LOOK_EVERY_S) as has_ended:
            if not has_ended:
                raise WorkspaceError(
                    "a reader process of a killed run is still active",
                    where=str(path),
                    remedy="end process {process} and run again",
                    process=path.name,
                )
        path.unlink(missing_ok=True)
