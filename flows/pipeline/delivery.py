"""Delivery of pages: the index of the output folder, and the copies of its pages in the folder of `[publish]`."""

from pathlib import Path
from tempfile import TemporaryDirectory

from flows.runtime.progress import Reporter
from reports.language.translate import mark
from reports.pages.index import write_index
from reports.pages.index_data import INDEX, list_pages
from transforms.config.workspace import Workspace
from transforms.operations.publish import Publication, publish


def deliver_pages(workspace: Workspace, reporter: Reporter) -> Publication | None:
    """Write `index.html` and publish all pages.

    Returns:
        The outcome of publishing; None if season.toml names no folder. A fault of that folder never raises.
    """
    season, out = workspace.season, workspace.out
    write_index(list_pages(out), season, out / INDEX)
    if season.publish.folder is None:
        return None
    with reporter.stage(mark("Publishing the pages")), TemporaryDirectory() as temporary:
        # An index of its own: where growers' sheets are left out, it must not name growers either.
        pages = list_pages(out, growers=season.publish.growers)
        index = write_index(pages, season, Path(temporary) / INDEX)
        names = [n for page in pages for n in (page.name, *page.companions)]
        return publish({INDEX: index, **{n: out / n for n in names}}, season.publish.folder, workspace.published)
