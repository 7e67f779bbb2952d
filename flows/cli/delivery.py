"""Delivery at the end of a command: the outcome of publishing, and the browser."""

import webbrowser
from pathlib import Path

from flows.cli.output import complain
from flows.runtime.progress import Reporter
from transforms.operations.publish import Publication


def report_publication(published: Publication | None, reporter: Reporter) -> None:
    """Print where the pages were published, or on standard error why they were not."""
    from transforms.operations.alarms import publish_alarms

    if published is None:
        return
    for alarm in publish_alarms(published):
        complain(alarm.says)
    if published.fault is None:
        reporter.say(f"Published in {published.folder}: {published.pages} files, {published.copied} of them new")


def open_page(page: Path) -> None:
    """Open a page in the browser; without one, print which file to open."""
    try:
        is_open = webbrowser.open(page.resolve().as_uri())
    except (webbrowser.Error, OSError):
        is_open = False
    if not is_open:
        complain(f"no browser could be started: open {page.resolve()} yourself")
