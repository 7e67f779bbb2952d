"""The program of a reader process: takes calls from its parent, one at a time, and answers each.

Its standard input is the lifeline: when the parent ends, for whatever reason, the input ends, and so does the reader.
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
"""After such an outcome nothing in the process can be relied on: it ends."""
LENGTH = struct.Struct(">Q")
FIRST_TO_KILL = "800"
"""Linux ends the process with the highest score first if memory runs out: this one, not its parent."""
PASSED_ON = (SourceFileError, WorkspaceError, OSError)
"""Exceptions that reach the parent as they are; of any other, its class and place."""


@dataclass(frozen=True)
class Call:
    """A function of a module, its arguments, and the seconds it may take."""

    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    seconds: float


@dataclass(frozen=True)
class Answer:
    """An outcome: `done` with a value, `raised` with an exception; `failed`, `panicked`, `no_memory` with a place."""

    kind: str
    value: Any = None


def write_message(stream: BinaryIO, body: bytes) -> None:
    """Write one message."""
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


def place_of(problem: BaseException) -> str:
    """Return an exception's class and place, never its text: that may quote a file."""
    frames = traceback.extract_tb(problem.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return f"{type(problem).__name__}{place}"


def limit_memory(most_bytes: int) -> None:
    """Let an allocation beyond a limit fail, if the system has such limits; write no core of what was read."""
    with suppress(ImportError, OSError, ValueError):
        import resource  # noqa: PLC0415 - not on every system

        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        soft = most_bytes if hard == resource.RLIM_INFINITY else min(most_bytes, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _limit_processor(seconds: float) -> None:
    """End this process by its processor time if neither parent nor lifeline can: a hung parser blocks both."""
    with suppress(ImportError, OSError, ValueError):
        import resource  # noqa: PLC0415 - not on every system

        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        most = int(time.process_time() + 2 * seconds * (os.cpu_count() or 1)) + 10
        resource.setrlimit(resource.RLIMIT_CPU, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))


def _listen(commands: BinaryIO, calls: "queue.SimpleQueue[bytes]") -> None:
    while (body := read_message(commands)) is not None:
        calls.put(body)
    os._exit(0)


def answer(body: bytes) -> Answer:
    """Return the outcome of a call."""
    try:
        call: Call = pickle.loads(body)  # noqa: S301 - written by our own parent
        _limit_processor(call.seconds)
        return Answer("done", call.function(*call.arguments))
    except PASSED_ON as problem:
        return Answer("raised", problem)
    except MemoryError as problem:
        return Answer("no_memory", place_of(problem))
    except BaseException as problem:  # noqa: BLE001
        return Answer("panicked" if is_panic(problem) else "failed", place_of(problem))


def _packed(found: Answer) -> bytes:
    try:
        return pickle.dumps(found, protocol=pickle.HIGHEST_PROTOCOL)
    except Exception as problem:  # noqa: BLE001
        return pickle.dumps(Answer("failed", place_of(problem)))


def main() -> None:
    """Answer calls until the parent ends. Arguments: the limit on memory in bytes, modules to import beforehand."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides
    commands, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints, prints beside the answers
    calls: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(commands, calls), daemon=True).start()
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(FIRST_TO_KILL, "ascii")
    for name in sys.argv[3:]:
        import_module(name)
    limit_memory(int(sys.argv[2]))
    while True:
        found = answer(calls.get())
        write_message(answers, _packed(found))
        if found.kind in LAST:
            os._exit(1)
