"""Run log: one JSON line per event, one file per month; it has counts, names and times, never file contents.

The scheduler detects a missed run by the time a job last started. Events are records of a standard logger, so
that a program may add handlers of its own.
"""

import datetime as dt
import json
import logging
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LOGGER = logging.getLogger("taretrace.run")
"""Logger of all events; a record has `at`, `job`, `event` and `facts`. Handlers of the root logger, which the flow
engine sets up for its console, do not receive them."""
LOGGER.propagate = False
FAILED = {"failed"}
"""Events that are errors; all others are information."""


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
        about = {"at": at, "job": job, "event": event, "facts": facts}
        level = logging.ERROR if event in FAILED else logging.INFO
        record = LOGGER.makeRecord(LOGGER.name, level, __name__, 0, "%s %s", (job, event), None, extra=about)
        self.folder.mkdir(parents=True, exist_ok=True)
        with closing(_MonthFile(self.folder / f"{at:%Y-%m}.jsonl")) as file:
            file.handle(record)
        if LOGGER.handlers:  # without one, the standard library would print errors
            LOGGER.handle(record)

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


class _MonthFile(logging.FileHandler):
    """File of a month; an event that cannot be written is an error of the run."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, encoding="utf-8")
        self.setFormatter(_LineFormatter())

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: ARG002, N802 (named by the standard library)
        """Raise the error that is being handled."""
        raise  # noqa: PLE0704


class _LineFormatter(logging.Formatter):
    """One line of JSON per record."""

    def format(self, record: logging.LogRecord) -> str:
        """Return time, process, job, event and facts as JSON."""
        about = vars(record)
        at = about["at"].isoformat(timespec="milliseconds")
        entry = {"at": at, "process": record.process, "job": about["job"], "event": about["event"]}
        return json.dumps(entry | about["facts"], default=str)


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
