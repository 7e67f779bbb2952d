"""Commands that write pages from stored results: report shift, season, fleet, followed, grower and others."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from flows.cli.delivery import open_page, report_publication
from flows.cli.help import CommandLine
from flows.cli.options import HERE, Folder, Json, OpenPage, Pdf, Wait, Xlsx
from flows.cli.output import line_with, print_line, strong
from flows.runtime.progress import Reporter
from reports.language.translate import mark, mark_n, say
from reports.page.formats import OutputFormats
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace
from transforms.storage.lock import lock_workspace

SHEETS = mark_n(
    "Wrote {n} file, the sheet of one grower, to {folder}", "Wrote {n} files, one sheet per grower, to {folder}"
)
report_app = CommandLine(help="Write pages from results that are already computed.")


def _write_locked(
    folder: Path, command: str, wait: float, as_json: bool, write: Callable[[Workspace, Reporter], list[Path]]
) -> list[Path]:
    """Write and deliver pages while the workspace is locked against other runs."""
    from flows.pipeline.delivery import deliver_pages

    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    _ = workspace.season
    with lock_workspace(folder, command, wait):
        paths = [p.resolve() for p in write(workspace, reporter)]
        report_publication(deliver_pages(workspace, reporter), reporter)
    return paths


def _print_pages(
    as_json: bool, key: str, name: str, paths: list[Path], more: list[str], *, is_opened: bool = False
) -> None:
    if is_opened:
        open_page(paths[0])
    if as_json:
        outcome: dict[str, Any] = {key: paths[0], "files": paths}
        typer.echo(json.dumps(outcome, default=str))
        return
    console = Console()
    print_line(console, line_with(name, page=strong(paths[0])))
    for line in [*(say("Also written: {file}", file=p) for p in paths[1:]), *more]:
        print_line(console, line)


@report_app.command(name="shift")
def report_shift(
    folder: Folder = HERE,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the shift page: what to change before the next shift, with the evidence on pages of its own."""
    from flows.stages import pages

    paths = _write_locked(
        folder, "report shift", wait, as_json, lambda w, r: pages.publish_shift_page(w, r, OutputFormats(pdf, xlsx))
    )
    _print_pages(as_json, "shift_page", mark("Shift page: {page}"), paths, [say(CAUTION)], is_opened=is_opened)


@report_app.command(name="season")
def report_season(
    folder: Folder = HERE,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the season report: cost, where and when, causes and next season on four pages, and an appendix."""
    from flows.stages import pages

    paths = _write_locked(
        folder, "report season", wait, as_json, lambda w, r: pages.publish_season_report(w, r, OutputFormats(pdf, xlsx))
    )
    _print_pages(as_json, "season_report", mark("Season report: {page}"), paths, [say(CAUTION)], is_opened=is_opened)


@report_app.command(name="fleet")
def report_fleet(
    folder: Folder = HERE,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the fleet page: machines, operators, growers and fields, each compared under its own conditions."""
    from flows.stages import pages

    paths = _write_locked(
        folder, "report fleet", wait, as_json, lambda w, r: pages.publish_fleet_page(w, r, OutputFormats(pdf, xlsx))
    )
    _print_pages(
        as_json,
        "fleet_page",
        mark("Fleet page: {page}"),
        paths,
        [say("This page names people: for the manager only.")],
        is_opened=is_opened,
    )


@report_app.command(name="followed")
def report_followed(
    folder: Folder = HERE,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the page on the advice of the season: changes made, by week and machine, and what they saved."""
    from flows.stages import pages

    paths = _write_locked(
        folder,
        "report followed",
        wait,
        as_json,
        lambda w, r: pages.publish_followed_page(w, r, OutputFormats(pdf, xlsx)),
    )
    _print_pages(as_json, "followed_page", mark("Advice followed: {page}"), paths, [say(CAUTION)], is_opened=is_opened)


@report_app.command(name="grower")
def report_grower(
    folder: Folder = HERE,
    only: Annotated[str | None, typer.Option("--only", help="Write only the sheet of this grower.")] = None,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write one sheet per grower: own loads compared with the expected values, without data of any other grower."""
    from flows.stages import pages

    paths = _write_locked(
        folder,
        "report grower",
        wait,
        as_json,
        lambda w, r: pages.publish_grower_sheets(w, r, OutputFormats(pdf, xlsx), only),
    )
    if is_opened:
        from reports.pages.index_data import INDEX

        open_page(paths[0] if only else Workspace(folder).out / INDEX)
    if as_json:
        typer.echo(json.dumps({"files": paths}, default=str))
        return
    print_line(Console(), line_with(SHEETS, n=len(paths), folder=strong(paths[0].parent)))


@report_app.command(name="guide")
def report_guide(
    folder: Folder = HERE,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the setting guide: initial settings per class of conditions, and a printable card per machine type."""
    from flows.stages import pages

    paths = _write_locked(
        folder, "report guide", wait, as_json, lambda w, r: pages.publish_guide(w, r, OutputFormats(pdf, xlsx))
    )
    _print_pages(as_json, "guide", mark("Setting guide: {page}"), paths, [say(CAUTION)], is_opened=is_opened)


@report_app.command(name="what-if")
def report_what_if(folder: Folder = HERE, wait: Wait = 0, as_json: Json = False, is_opened: OpenPage = False) -> None:
    """Write an offline page with sliders that predicts dirt, root loss and cost from conditions and settings."""
    from flows.stages import pages

    paths = _write_locked(folder, "report what-if", wait, as_json, lambda w, r: [pages.publish_what_if_page(w, r)])
    _print_pages(as_json, "what_if", mark("What if: {page}"), paths, [say(CAUTION)], is_opened=is_opened)


@report_app.command(name="load")
def report_load(
    load_id: Annotated[str, typer.Argument(help="Number of the weigh ticket.")],
    folder: Folder = HERE,
    setting: Annotated[
        str | None, typer.Option(help="Colour the map by this setting at first; the page offers all others.")
    ] = None,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    as_json: Json = False,
    is_opened: OpenPage = False,
) -> None:
    """Write the page of one load: machine timeline, minutes assigned to the load, and passes in its field."""
    from flows.stages import pages

    paths = _write_locked(
        folder,
        "report load",
        wait,
        as_json,
        lambda w, r: pages.publish_load_page(w, load_id, setting, r, OutputFormats(pdf, xlsx)),
    )
    _print_pages(as_json, "load_page", mark("Load page: {page}"), paths, [], is_opened=is_opened)


@report_app.command(name="texts")
def report_texts(folder: Folder = HERE, as_json: Json = False) -> None:
    """Write the catalogue of all English texts, to be translated into text/LANGUAGE.po for pages in that language."""
    from flows.stages import pages

    path = pages.write_text_catalogue(Workspace(folder)).resolve()
    language = Workspace(folder).season.locale
    _print_pages(
        as_json,
        "catalogue",
        mark("Catalogue: {page}"),
        [path],
        [
            say(
                "Next: set locale in season.toml (now {language}) and translate the catalogue as text/LANGUAGE.po",
                language=language,
            )
        ],
    )
