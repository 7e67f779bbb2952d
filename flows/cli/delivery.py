"""Delivery at the end of a command: the outcome of publishing, and the browser."""

import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

from flows.cli.output import complain
from flows.runtime.progress import Reporter
from reports.language.translate import say, say_n

if TYPE_CHECKING:
    from transforms.operations.publish import Publication


def report_publication(published: "Publication | None", reporter: Reporter) -> None:
    """Print where the pages were published, or on standard error why they were not."""
    from reports.language.reason_text import format_reason
    from transforms.operations.alarms import publish_alarms

    if published is None:
        return
    for alarm in publish_alarms(published):
        complain(format_reason(alarm.why))
    if published.fault is None:
        reporter.line(
            say_n(
                "Published in {folder}: {n} file, {new} of it new",
                "Published in {folder}: {n} files, {new} of them new",
                published.pages,
                folder=published.folder,
                new=published.copied,
            )
        )


def open_page(page: Path) -> None:
    """Open a page in the browser; without one, print which file to open."""
    try:
        is_open = webbrowser.open(page.resolve().as_uri())
    except (webbrowser.Error, OSError):
        is_open = False
    if not is_open:
        complain(say("no browser could be started: open {page} yourself", page=page.resolve()))
