"""One line for each run of the service, made from the log, because runs take place in other processes."""

import datetime as dt
import threading
from collections.abc import Callable, Iterator
from itertools import takewhile
from typing import Any
from zoneinfo import ZoneInfo

from reports.language.translate import local_date, say, say_n
from transforms.storage.run_log import RunLog

POLL_S = 1.0
ENDINGS = ("ended", "failed")


def describe_run(entry: dict[str, Any], zone: ZoneInfo) -> str:
    """Return the line of a finished run: local time, job, what it took and wrote, and problems.

    Args:
        entry: its line in the log.
        zone: time zone of the season.
    """
    start = f"{local_date(entry['at'].astimezone(zone), 'Hm')} {entry['job']}"
    if entry["event"] == "failed":
        return say("{start}: failed: {problem}", start=start, problem=entry.get("says", ""))
    if entry.get("reason_code") == "caught_up":
        return f"{start}: {entry['says']}"
    problems = [a["says"] for a in entry.get("alarms", [])] + entry.get("undelivered", [])
    return f"{start}: {', '.join(_counts(entry))}" + "".join(f"; {p}" for p in problems)


def _counts(entry: dict[str, Any]) -> list[str]:
    """Return what a run took, wrote, published and sent, one text each."""
    parts = [
        say_n("{n} new file", "{n} new files", entry.get("files", 0)),
        say_n("{n} row accepted", "{n} rows accepted", entry.get("rows_accepted", 0)),
        say_n("{n} page written", "{n} pages written", entry.get("pages", 0)),
    ]
    if entry.get("published_in"):
        parts.append(say("published in {folder}", folder=entry["published_in"]))
    if entry.get("sent"):
        parts.append(say_n("sent to {n} address", "sent to {n} addresses", entry["sent"]))
    return parts


def announce_runs(
    log: RunLog, since: dt.datetime, zone: ZoneInfo, print_line: Callable[[str], None], stop: threading.Event
) -> None:
    """Print a line for each run that ends after `since`, until `stop` is set."""
    size = -1
    while True:
        is_last = stop.wait(POLL_S)
        if (now := _size(log)) != size:
            size = now
            for entry in reversed([*_entries_since(log, since)]):
                since = entry["at"]
                if entry["event"] in ENDINGS:
                    print_line(describe_run(entry, zone))
        if is_last:
            return


def _size(log: RunLog) -> int:
    return sum(p.stat().st_size for p in log.folder.glob("*.jsonl"))


def _entries_since(log: RunLog, since: dt.datetime) -> Iterator[dict[str, Any]]:
    return takewhile(lambda entry: entry["at"] > since, log.lines())
