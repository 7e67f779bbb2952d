"""The log of runs: a line of JSON an event, a file a month. No content of files stands in it: counts, names, times do.

It is also how a missed run is known: by when a job last began.
"""

import datetime as dt
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any


def utc_now() -> dt.datetime:
    """Return the time, UTC."""
    return dt.datetime.now(dt.UTC)


@dataclass(frozen=True)
class RunLog:
    """The log of a workspace.

    Attributes:
        folder: where it lies.
        clock: what time it is, UTC.
    """

    folder: Path
    clock: Callable[[], dt.datetime] = utc_now

    def write(self, job: str, event: str, **facts: Any) -> None:
        """Add a line: when, which process, which job, what happened, and facts that JSON can hold."""
        at = self.clock()
        told = {"at": at.isoformat(timespec="milliseconds"), "process": os.getpid(), "job": job, "event": event}
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / f"{at:%Y-%m}.jsonl").open("a", encoding="utf-8") as handle:
            handle.write(json.dumps(told | facts, default=str) + "\n")

    def lines(self) -> Iterator[dict[str, Any]]:
        """Yield every line, newest first; half a line, which a crash may leave, is passed over."""
        for path in sorted(self.folder.glob("*.jsonl"), reverse=True):
            for text in reversed(_lines_of(path)):
                line = _parsed(text)
                if line is not None:
                    yield line

    def damaged(self) -> list[Path]:
        """Return the files with lines that cannot be read; half a last line, which a crash may leave, is not damage."""
        found = []
        for path in sorted(self.folder.glob("*.jsonl")):
            lines = _lines_of(path)
            if any(_parsed(text) is None and not text.startswith('{"at": "') for text in lines):
                found.append(path)
        return found

    def readable_lines(self, path: Path) -> list[str]:
        """Return the lines of a file that can be read, in order."""
        return [text for text in _lines_of(path) if _parsed(text) is not None]

    def last(self, job: str, event: str) -> dict[str, Any] | None:
        """Return the newest line of a job's event."""
        return next((line for line in self.lines() if line["job"] == job and line["event"] == event), None)

    def done_since(self, job: str, slot: dt.datetime) -> bool:
        """Whether a run of a job that began at or after a time has ended well: nothing is left to do for that time."""
        ended = self.last(job, "ended")
        if ended is None:
            return False
        # A run may begin a moment before it is due.
        done = max(dt.datetime.fromisoformat(t) for t in (ended["began_at"], ended.get("due")) if t)
        return done >= slot


def _lines_of(path: Path) -> list[str]:
    return path.read_text("utf-8", "replace").splitlines()


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        line: dict[str, Any] = json.loads(text)
        line["at"] = dt.datetime.fromisoformat(line["at"])
        is_whole = line["at"].tzinfo is not None and isinstance(line["job"], str) and isinstance(line["event"], str)
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return line if is_whole else None
