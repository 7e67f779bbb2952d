"""Pages of the commands benchmark and what-if."""

from pathlib import Path

from flows.cli.options import PageOptions
from flows.cli.report import print_pages, write_locked
from flows.stages import pages
from reports.language.translate import mark, say
from reports.page.formats import OutputFormats
from reports.sections.cautions import CAUTION


def write_benchmark_page(folder: Path, page: PageOptions, wait_s: float, *, as_json: bool) -> None:
    """Write the page that compares machines, operators, growers and fields."""
    formats = OutputFormats(page.pdf, page.xlsx)
    paths = write_locked(folder, "benchmark", wait_s, as_json, lambda w, r: pages.publish_fleet_page(w, r, formats))
    caution = say("This page names people: for the manager only.")
    print_pages(as_json, "fleet_page", mark("Fleet page: {page}"), paths, [caution], is_opened=page.is_opened)


def write_what_if_page(folder: Path, wait_s: float, *, is_opened: bool, as_json: bool) -> None:
    """Write the page with sliders for conditions and settings."""
    paths = write_locked(folder, "what-if", wait_s, as_json, lambda w, r: [pages.publish_what_if_page(w, r)])
    print_pages(as_json, "what_if", mark("What if: {page}"), paths, [say(CAUTION)], is_opened=is_opened)
