"""Reader process: isolated function calls on untrusted files, with memory and time limits.

A file can make a parser abort, hang or exhaust memory. In a separate process, only that process ends.
"""

import json
import os
import pickle
import queue
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import weakref
from collections.abc import Callable
from contextlib import suppress
from typing import IO, Any, BinaryIO, TypeVar, cast

import psutil

from transforms.contracts.read_failure import FailureCode
from transforms.contracts.reason import Reason, reason
from transforms.ingest.reader_main import LAST, Answer, Call, read_message, write_message
from transforms.parallel import remove_orphans

Result = TypeVar("Result")
MEMORY_SHARE, MEMORY_FLOOR_BYTES = 0.5, 2 << 30
"""Memory limit of a reader: this share of physical memory, but at least the floor. Common practice, no source."""
BASE_S, SECONDS_PER_MB = 120.0, 2.0
"""Time limit of a reader: base plus seconds per MB of the file, many times the normal duration. Common practice, no
source."""
TEMPORARY_FOLDERS = ("TMPDIR", "TEMP", "TMP")
"""Variables that name the folder of temporary files, by system."""
LOOK_EVERY_S = 0.1
TAIL_BYTES = 4096
NO_MEMORY = (b"memory allocation of", b"bad_alloc", b"out of memory", b"Cannot allocate memory")
"""Messages that libraries in a reader print if an allocation fails."""
START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); sys.modules['sqlalchemy'] = None; "
    "from transforms.ingest.reader_main import main; main()"
)
"""Program of a reader. It hides SQLAlchemy, which dataframely imports wherever it is installed, for databases that no
reader uses: a quarter of its import time."""
IMPORTED = "transforms.ingest.read_file"


class ReaderFailureError(Exception):
    """Failure of a reader process while it read a file.

    Attributes:
        code: the process died, or exceeded its memory or its time.
        reason: the reason.
    """

    def __init__(self, code: FailureCode, reason: Reason) -> None:
        self.code, self.reason = code, reason
        super().__init__(code, reason)


class ReadError(Exception):
    """Internal error of a function in a reader process; the text is the class and location of its exception."""


def memory_limit(readers: int = 1) -> int:
    """Return the memory limit in bytes of each of `readers` parallel readers."""
    return max(MEMORY_FLOOR_BYTES, int(psutil.virtual_memory().total * MEMORY_SHARE / readers))


def time_limit(size_bytes: int) -> float:
    """Return the time limit in seconds for reading a file of a given size.

    >>> time_limit(0) < time_limit(1 << 30)
    True
    """
    return BASE_S + SECONDS_PER_MB * size_bytes / 1e6


def _end(process: "subprocess.Popen[bytes]", errors: IO[bytes], folder: str) -> None:
    """Kill a process, close its streams and remove its temporary folder."""
    process.kill()
    process.wait()
    for stream in (process.stdin, errors):
        if stream is not None:
            with suppress(OSError):  # unsent data cannot be flushed
                stream.close()
    shutil.rmtree(folder, ignore_errors=True)


def _receive(stream: BinaryIO, answers: "queue.SimpleQueue[bytes | None]") -> None:
    """Put each message of a stream into a queue, then None at its end."""
    with stream:
        while (body := read_message(stream)) is not None:
            answers.put(body)
    answers.put(None)


class _Running:
    """Started process with its answer queue and temporary folder; both are removed with the process."""

    def __init__(self, memory_bytes: int, threads: int | None) -> None:
        remove_orphans()
        self.folder = tempfile.mkdtemp(prefix=f"taretrace-{os.getpid()}-")
        self.errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        env = {**os.environ, **dict.fromkeys(TEMPORARY_FOLDERS, self.folder)}
        if threads is not None:
            env["POLARS_MAX_THREADS"] = str(threads)
        self.process = subprocess.Popen(  # noqa: S603
            [sys.executable, "-c", START, json.dumps(sys.path), str(memory_bytes), IMPORTED],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self.errors,
            env=env,
        )
        self.input = cast("BinaryIO", self.process.stdin)
        self.answers: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        threading.Thread(
            target=_receive, args=(cast("BinaryIO", self.process.stdout), self.answers), daemon=True
        ).start()
        self.end = weakref.finalize(self, _end, self.process, self.errors, self.folder)

    def memory_bytes(self) -> int:
        """Return the unshared memory of the process in bytes; 0 if it has ended."""
        try:
            used = psutil.Process(self.process.pid).memory_info()
        except psutil.Error:
            return 0
        return int(used.rss) - int(getattr(used, "shared", 0))

    def last_words(self) -> bytes:
        """Return the last `TAIL_BYTES` of the standard error output."""
        size = self.errors.seek(0, os.SEEK_END)
        self.errors.seek(max(0, size - TAIL_BYTES))
        return self.errors.read()


class ReaderProcess:
    """Process that runs calls one at a time, started on the first call and restarted after a failure.

    It ends when this object is deleted, when this process ends, and on `close`.

    Args:
        memory_bytes: memory limit; None for the default.
        threads: number of polars threads; None for the same number as in this process.
    """

    def __init__(self, memory_bytes: int | None = None, threads: int | None = None) -> None:
        self.memory_bytes = memory_limit() if memory_bytes is None else memory_bytes
        self.threads = threads
        self._running: _Running | None = None
        self._lock = threading.Lock()

    def start(self) -> None:
        """Start the process if it is not running, without waiting; it needs a second or two to become ready."""
        if self._running is None or self._running.process.poll() is not None:
            self.close()
            self._running = _Running(self.memory_bytes, self.threads)

    def close(self) -> None:
        """End the process."""
        if self._running is not None:
            self._running.end()
            self._running = None

    @property
    def process_id(self) -> int | None:
        """Process id; None if the process is not running."""
        return None if self._running is None else self._running.process.pid

    def held_bytes(self) -> int:
        """Return the current memory use of the process in bytes."""
        return 0 if self._running is None else self._running.memory_bytes()

    def call(self, function: Callable[..., Result], *arguments: Any, seconds: float) -> Result:
        """Call a module-level function in the process and return its result.

        Args:
            function: the function; it and its arguments must be picklable.
            arguments: its positional arguments.
            seconds: time limit.

        Raises:
            ReaderFailureError: the process died, or exceeded its memory or time limit.
            ReadError: the function failed with an internal error.
            SourceFileError, WorkspaceError, OSError: raised by the function.
        """
        body = pickle.dumps(Call(function, arguments, seconds), protocol=pickle.HIGHEST_PROTOCOL)
        with self._lock:
            self.start()
            running = cast("_Running", self._running)
            try:
                found = self._answer(running, body, seconds)
            except BaseException:
                self.close()
                raise
            if found.kind in LAST:
                self.close()
        value: Result = _value(found)
        return value

    def _answer(self, running: _Running, body: bytes, seconds: float) -> Answer:
        until = time.monotonic() + seconds
        try:
            write_message(running.input, body)
        except OSError:
            raise self._death(running) from None
        while True:
            try:
                answer = running.answers.get(timeout=LOOK_EVERY_S)
            except queue.Empty:
                if time.monotonic() > until:
                    raise ReaderFailureError("reader_time", reason("reader_too_slow", max_s=seconds)) from None
                if running.memory_bytes() > self.memory_bytes:
                    raise self._too_much_memory() from None
                continue
            if answer is None:
                raise self._death(running)
            found: Answer = pickle.loads(answer)  # noqa: S301 - written by the reader process
            return found

    def _too_much_memory(self) -> ReaderFailureError:
        why = reason("reader_memory_exceeded", max_gb=self.memory_bytes / 1e9)
        return ReaderFailureError("reader_memory", why)

    def _death(self, running: _Running) -> ReaderFailureError:
        code = running.process.wait()
        if any(words in running.last_words() for words in NO_MEMORY):
            return self._too_much_memory()
        if code == -getattr(signal, "SIGXCPU", 0) != 0:
            return ReaderFailureError("reader_time", reason("reader_processor_time"))
        if code < 0:
            return ReaderFailureError("reader_died", reason("reader_killed", signal=signal.Signals(-code).name))
        return ReaderFailureError("reader_died", reason("reader_exited", exit_code=code))


def _value(found: Answer) -> Any:
    if found.kind == "done":
        return found.value
    if found.kind == "panicked":
        raise ReaderFailureError("reader_died", reason("reader_panicked", place=found.value))
    if found.kind == "failed":
        raise ReadError(found.value)
    if found.kind == "no_memory":
        raise ReaderFailureError("reader_memory", reason("reader_out_of_memory"))
    raise found.value
