"""Main program of a reader process: it receives calls from its parent, one at a time, and answers each.

When the parent ends for any reason, the standard input of the reader closes and the reader exits.
"""

import os
import pickle
import queue
import signal
import struct
import sys
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, BinaryIO

from transforms.errors import SourceFileError, WorkspaceError, is_panic

LAST = ("panicked", "no_memory")
"""Outcomes after which the state of the process is unreliable, so it exits."""
LENGTH = struct.Struct(">Q")
FIRST_TO_KILL = "800"
"""OOM score: if memory runs out, Linux first kills the process with the highest score, not the parent."""
PASSED_ON = (SourceFileError, WorkspaceError, OSError)
"""Exceptions passed to the parent unchanged; for others, only class and location are passed."""


@dataclass(frozen=True)
class Call:
    """Call of a module-level function with its arguments and a time limit in seconds."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    seconds: float


@dataclass(frozen=True)
class Answer:
    """Outcome: `done` with a value, `raised` with an exception; `failed`, `panicked`, `no_memory` with a location."""

    kind: str
    value: Any = None


def write_message(stream: BinaryIO, body: bytes) -> None:
    """Write one message, preceded by its length."""
    stream.write(LENGTH.pack(len(body)))
    stream.write(body)
    stream.flush()


def read_message(stream: BinaryIO) -> bytes | None:
    """Return the next message; None if the stream has ended."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return None
    (size,) = LENGTH.unpack(head)
    body = stream.read(size)
    return body if len(body) == size else None


def locate_problem(problem: BaseException) -> str:
    """Return the class and location of an exception, but not its text, which may quote a file."""
    frames = traceback.extract_tb(problem.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return f"{type(problem).__name__}{place}"


def limit_memory(max_bytes: int) -> None:
    """Set a memory limit, if the platform supports it, and disable core dumps, which would contain file contents."""
    if sys.platform == "win32":
        return
    with suppress(ImportError, OSError, ValueError):
        import resource  # noqa: PLC0415 (of POSIX systems only)

        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        soft = max_bytes if hard == resource.RLIM_INFINITY else min(max_bytes, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _limit_processor(seconds: float) -> None:
    """Limit processor time, so that the system ends a hung parser even if the parent cannot."""
    if sys.platform == "win32":
        return
    with suppress(ImportError, OSError, ValueError):
        import resource  # noqa: PLC0415 (of POSIX systems only)

        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        limit = int(time.process_time() + 2 * seconds * (os.cpu_count() or 1)) + 10
        resource.setrlimit(resource.RLIMIT_CPU, (limit if hard == resource.RLIM_INFINITY else min(limit, hard), hard))


def _listen(commands: BinaryIO, calls: "queue.SimpleQueue[bytes]") -> None:
    """Queue calls from the parent; exit the process when the input closes."""
    while (body := read_message(commands)) is not None:
        calls.put(body)
    os._exit(0)


def execute_call(body: bytes) -> Answer:
    """Execute a pickled call and return its outcome."""
    try:
        call: Call = pickle.loads(body)  # noqa: S301 - written by the parent process
        _limit_processor(call.seconds)
        return Answer("done", call.function(*call.arguments))
    except PASSED_ON as problem:
        return Answer("raised", problem)
    except MemoryError as problem:
        return Answer("no_memory", locate_problem(problem))
    except BaseException as problem:  # noqa: BLE001
        return Answer("panicked" if is_panic(problem) else "failed", locate_problem(problem))


def _packed(found: Answer) -> bytes:
    """Return a pickled answer; `failed` if its value cannot be pickled."""
    try:
        return pickle.dumps(found, protocol=pickle.HIGHEST_PROTOCOL)
    except Exception as problem:  # noqa: BLE001
        return pickle.dumps(Answer("failed", locate_problem(problem)))


def main() -> None:
    """Answer calls until the parent ends. Arguments: memory limit in bytes, modules to import in advance."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent handles interrupts
    commands, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # keep printed output out of the answer stream
    calls: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(commands, calls), daemon=True).start()
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(FIRST_TO_KILL, "ascii")
    for name in sys.argv[3:]:
        import_module(name)
    limit_memory(int(sys.argv[2]))
    while True:
        found = execute_call(calls.get())
        write_message(answers, _packed(found))
        if found.kind in LAST:
            os._exit(1)
