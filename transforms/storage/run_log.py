"""Run log: one JSON line per event, one file per month; it has counts, names and times, never file contents.

The scheduler detects a missed run by the time a job last started.
"""

import datetime as dt
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any


def utc_now() -> dt.datetime:
    """Return the current time, UTC."""
    return dt.datetime.now(dt.UTC)


@dataclass(frozen=True)
class RunLog:
    """The log of a workspace.

    Attributes:
        folder: the folder of its files.
        clock: returns the current time, UTC.
    """

    folder: Path
    clock: Callable[[], dt.datetime] = utc_now

    def write(self, job: str, event: str, **facts: Any) -> None:
        """Append a line with time, process, job, event and facts that JSON can represent."""
        at = self.clock()
        entry = {"at": at.isoformat(timespec="milliseconds"), "process": os.getpid(), "job": job, "event": event}
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / f"{at:%Y-%m}.jsonl").open("a", encoding="utf-8") as handle:
            handle.write(json.dumps(entry | facts, default=str) + "\n")

    def lines(self) -> Iterator[dict[str, Any]]:
        """Yield every line, newest first; skip an incomplete line, which a crash may leave."""
        for path in sorted(self.folder.glob("*.jsonl"), reverse=True):
            for text in reversed(_lines_of(path)):
                line = _parsed(text)
                if line is not None:
                    yield line

    def damaged(self) -> list[Path]:
        """Return the files with unreadable lines; an incomplete last line, which a crash may leave, is not damage."""
        found = []
        for path in sorted(self.folder.glob("*.jsonl")):
            lines = _lines_of(path)
            if any(_parsed(text) is None and not text.startswith('{"at": "') for text in lines):
                found.append(path)
        return found

    def readable_lines(self, path: Path) -> list[str]:
        """Return the readable lines of a file, in order."""
        return [text for text in _lines_of(path) if _parsed(text) is not None]

    def last(self, job: str, event: str) -> dict[str, Any] | None:
        """Return the newest line of a job and event; None if the log has none."""
        return next((line for line in self.lines() if line["job"] == job and line["event"] == event), None)

    def done_since(self, job: str, slot: dt.datetime) -> bool:
        """Return True if a run of a job that started at or after a scheduled time has succeeded: that slot is done."""
        ended = self.last(job, "ended")
        if ended is None:
            return False
        # A run may start a moment before its scheduled time.
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
