"""One line for each run of the service, made from the log, because runs take place in other processes."""

import datetime as dt
import threading
from collections.abc import Callable, Iterator
from itertools import takewhile
from typing import Any
from zoneinfo import ZoneInfo

from transforms.storage.run_log import RunLog

POLL_S = 1.0
ENDINGS = ("ended", "failed")


def describe_run(entry: dict[str, Any], zone: ZoneInfo) -> str:
    """Return the line of a finished run: local time, job, what it took and wrote, and problems.

    Args:
        entry: its line in the log.
        zone: time zone of the season.
    """
    start = f"{entry['at'].astimezone(zone):%H:%M} {entry['job']}"
    if entry["event"] == "failed":
        return f"{start}: failed: {entry.get('says', '')}"
    if entry.get("reason_code") == "caught_up":
        return f"{start}: {entry['says']}"
    parts = [
        f"{entry.get('files', 0)} new files, {entry.get('rows_accepted', 0):,} rows accepted",
        f"{entry.get('pages', 0)} pages written",
    ]
    if entry.get("published_in"):
        parts.append(f"published in {entry['published_in']}")
    if entry.get("sent"):
        parts.append(f"sent to {entry['sent']} addresses" if entry["sent"] > 1 else "sent to 1 address")
    problems = [a["says"] for a in entry.get("alarms", [])] + entry.get("undelivered", [])
    return f"{start}: {', '.join(parts)}" + "".join(f"; {p}" for p in problems)


def announce_runs(log: RunLog, zone: ZoneInfo, say: Callable[[str], None], stop: threading.Event) -> None:
    """Print a line for each run that ends from now on, until `stop` is set."""
    since, size = log.clock(), -1
    while True:
        is_last = stop.wait(POLL_S)
        if (now := _size(log)) != size:
            size = now
            for entry in reversed([*_entries_since(log, since)]):
                since = entry["at"]
                if entry["event"] in ENDINGS:
                    say(describe_run(entry, zone))
        if is_last:
            return


def _size(log: RunLog) -> int:
    return sum(p.stat().st_size for p in log.folder.glob("*.jsonl"))


def _entries_since(log: RunLog, since: dt.datetime) -> Iterator[dict[str, Any]]:
    return takewhile(lambda entry: entry["at"] > since, log.lines())
