"""The verbs that write pages from what is worked out: report shift, season, fleet, grower, guide, what-if, load."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from flows.cli.output import print_line, strong
from flows.runtime.progress import Reporter
from reports.page.formats import Forms
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace
from transforms.storage.lock import held

report_app = typer.Typer(no_args_is_help=True, help="Write pages from what is already worked out.")
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]
Wait = Annotated[float, typer.Option(min=0, help="Seconds to wait while another run holds the workspace.")]
Pdf = Annotated[bool, typer.Option("--pdf", help="Write it as PDF as well.")]
Xlsx = Annotated[bool, typer.Option("--xlsx", help="Write its tables as a workbook as well.")]
HERE = Path()


def _written(
    folder: Path, verb: str, wait: float, json_wanted: bool, write: Callable[[Workspace, Reporter], list[Path]]
) -> list[Path]:
    """Write pages while no other run touches the workspace."""
    workspace = Workspace(folder)
    _ = workspace.season
    with held(folder, verb, wait):
        return [p.resolve() for p in write(workspace, Reporter(quiet=json_wanted))]


def _tell(json_wanted: bool, key: str, name: str, paths: list[Path], more: list[str]) -> None:
    if json_wanted:
        outcome: dict[str, Any] = {key: paths[0], "files": paths}
        typer.echo(json.dumps(outcome, default=str))
        return
    console = Console()
    print_line(console, f"{name}: ", strong(paths[0]))
    for line in [*(f"with it: {p}" for p in paths[1:]), *more]:
        print_line(console, line)


@report_app.command(name="shift")
def report_shift(
    folder: Folder = HERE, pdf: Pdf = False, xlsx: Xlsx = False, wait: Wait = 0, json_wanted: Json = False
) -> None:
    """Write the shift page: what to change before the next shift, and how the last one went."""
    from flows.stages import pages

    paths = _written(folder, "report shift", wait, json_wanted, lambda w, r: pages.shift_page(w, r, Forms(pdf, xlsx)))
    _tell(json_wanted, "shift_page", "Shift page", paths, [CAUTION])


@report_app.command(name="season")
def report_season(
    folder: Folder = HERE, pdf: Pdf = False, xlsx: Xlsx = False, wait: Wait = 0, json_wanted: Json = False
) -> None:
    """Write the season report: what drove dirt and losses, the guide and its worth, piles, open questions, methods."""
    from flows.stages import pages

    paths = _written(
        folder, "report season", wait, json_wanted, lambda w, r: pages.season_report(w, r, Forms(pdf, xlsx))
    )
    _tell(json_wanted, "season_report", "Season report", paths, [CAUTION])


@report_app.command(name="fleet")
def report_fleet(
    folder: Folder = HERE, pdf: Pdf = False, xlsx: Xlsx = False, wait: Wait = 0, json_wanted: Json = False
) -> None:
    """Write the page that compares machines, operators, growers and fields, each under its own conditions."""
    from flows.stages import pages

    paths = _written(folder, "report fleet", wait, json_wanted, lambda w, r: pages.fleet_page(w, r, Forms(pdf, xlsx)))
    _tell(json_wanted, "fleet_page", "Fleet page", paths, ["Names stand on it: for the manager alone."])


@report_app.command(name="grower")
def report_grower(
    folder: Folder = HERE,
    only: Annotated[str | None, typer.Option("--only", help="Write the sheet of this grower alone.")] = None,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    json_wanted: Json = False,
) -> None:
    """Write a sheet for each grower: own loads against what was expected; nobody else's id or number is on it."""
    from flows.stages import pages

    paths = _written(
        folder,
        "report grower",
        wait,
        json_wanted,
        lambda w, r: pages.grower_sheets(w, r, Forms(pdf, xlsx), only),
    )
    if json_wanted:
        typer.echo(json.dumps({"files": paths}, default=str))
        return
    print_line(Console(), f"{len(paths)} files in ", strong(paths[0].parent), ", a sheet a grower")


@report_app.command(name="guide")
def report_guide(
    folder: Folder = HERE, pdf: Pdf = False, xlsx: Xlsx = False, wait: Wait = 0, json_wanted: Json = False
) -> None:
    """Write the setting guide: where to start in each class of conditions, and a card a generation to print."""
    from flows.stages import pages

    paths = _written(folder, "report guide", wait, json_wanted, lambda w, r: pages.guide_pages(w, r, Forms(pdf, xlsx)))
    _tell(json_wanted, "guide", "Setting guide", paths, [CAUTION])


@report_app.command(name="what-if")
def report_what_if(folder: Folder = HERE, json_wanted: Json = False) -> None:
    """Write a page with sliders: conditions and settings in, dirt, root loss and cost out. It needs no server."""
    from flows.stages import pages

    page = pages.what_if_page(Workspace(folder), Reporter(quiet=json_wanted)).resolve()
    _tell(json_wanted, "what_if", "What if", [page], [CAUTION])


@report_app.command(name="load")
def report_load(
    load_id: Annotated[str, typer.Argument(help="The weigh ticket's number.")],
    folder: Folder = HERE,
    setting: Annotated[
        str | None, typer.Option(help="Setting that colours the map at first; the page lets one choose others.")
    ] = None,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    wait: Wait = 0,
    json_wanted: Json = False,
) -> None:
    """Write the page of one load: its machine's time, the minutes given to it, the passes of its field."""
    from flows.stages import pages

    paths = _written(
        folder,
        "report load",
        wait,
        json_wanted,
        lambda w, r: pages.load_page(w, load_id, setting, r, Forms(pdf, xlsx)),
    )
    _tell(json_wanted, "load_page", "Load page", paths, [])


@report_app.command(name="texts")
def report_texts(folder: Folder = HERE, json_wanted: Json = False) -> None:
    """Hand out the catalogue of all English texts: translate it as text/LANGUAGE.po, and pages speak that language."""
    from flows.stages import pages

    path = pages.catalogue(Workspace(folder)).resolve()
    language = Workspace(folder).season.locale
    _tell(json_wanted, "catalogue", "Catalogue", [path], [f"Next: locale in season.toml (now {language}), text/de.po"])
