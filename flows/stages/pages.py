"""Page stages: each reads tables and writes files into the folder `out/` of the workspace."""

from importlib.resources import files
from pathlib import Path

from flows import stages
from flows.runtime.progress import Reporter
from reports.language.reason_text import format_reason
from reports.language.translate import mark, mark_n
from reports.page.formats import HTML, OutputFormats
from reports.page.html import start_script_bundle
from reports.pages.fleet import write_fleet
from reports.pages.fleet_data import load_fleet_page
from reports.pages.followed import write_followed
from reports.pages.followed_data import load_followed_page
from reports.pages.grower_data import grower_data
from reports.pages.grower_sheet import SheetJob, write_sheet_job
from reports.pages.guide import write_guide
from reports.pages.guide_data import load_guide_page
from reports.pages.load import write_load_page
from reports.pages.load_data import load_load_page
from reports.pages.season import write_season, write_season_loads
from reports.pages.season_data import load_season_loads_page, load_season_page
from reports.pages.shift import write_shift_page
from reports.pages.shift_data import load_shift_page
from reports.pages.what_if import write_what_if
from reports.pages.what_if_data import load_what_if_page
from transforms.config.workspace import Season, Workspace
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError
from transforms.operations.load_view import UntracedLoadError
from transforms.parallel import ProcessExecutor
from transforms.storage.lake import Lake
from transforms.storage.product_basis import GUIDE, BasisCode, product_status
from transforms.storage.warehouse import Warehouse

MARTS = ("load_class", "pile_ledger")
"""Tables that pages need besides the facts."""
MIN_PARALLEL_SHEETS = 8
"""Fewer sheets are written faster in this process than worker processes start."""


def publish_shift_page(workspace: Workspace, reporter: Reporter, formats: OutputFormats = HTML) -> list[Path]:
    """Compute the timeline of the last shift, and write the shift page and the page on advice that it links to."""
    start_script_bundle()
    with reporter.stage(mark("Writing the shift page")):
        stages.compute_shift_timeline(workspace)
        with stages.open_warehouse(workspace) as warehouse:
            season, out = stages.priced_season(warehouse, workspace.season), workspace.out
            data = load_shift_page(warehouse, season)
            return [*write_shift_page(data, season, out, formats), *_linked_followed_page(warehouse, season, out)]


def _linked_followed_page(warehouse: Warehouse, season: Season, out: Path) -> list[Path]:
    """Write the page on the outcome of advice if other pages link to it, which they do once there is any."""
    data = load_followed_page(warehouse)
    return write_followed(data, season, out) if data.outcome.has_moves else []


def publish_followed_page(workspace: Workspace, reporter: Reporter, formats: OutputFormats = HTML) -> list[Path]:
    """Write the page on the advice of the season and what became of it."""
    start_script_bundle()
    with stages.open_warehouse(workspace) as warehouse, reporter.stage(mark("Writing the page on the advice followed")):
        stages.require_facts(warehouse, workspace)
        return write_followed(load_followed_page(warehouse), workspace.season, workspace.out, formats)


def publish_guide(workspace: Workspace, reporter: Reporter, formats: OutputFormats = HTML) -> list[Path]:
    """Write the setting guide and its cards."""
    start_script_bundle()
    with stages.open_warehouse(workspace) as warehouse, reporter.stage(mark("Writing the setting guide")):
        if not warehouse.table("guide_class").height:
            too_few = product_status(warehouse, GUIDE).code is BasisCode.TOO_FEW_LOADS
            raise WorkspaceError(
                "there is no guide: too few loads are measured and traced" if too_few else "there is no guide yet",
                where=str(workspace.root),
                remedy="add tares and logs and run 'taretrace post-shift' again"
                if too_few
                else "run 'taretrace post-shift' on it first",
            )
        season = stages.priced_season(warehouse, workspace.season)
        return write_guide(load_guide_page(warehouse), season, workspace.out, formats)


def publish_fleet_page(workspace: Workspace, reporter: Reporter, formats: OutputFormats = HTML) -> list[Path]:
    """Write the fleet page and the list of loads it links to."""
    start_script_bundle()
    with stages.open_warehouse(workspace) as warehouse, reporter.stage(mark("Writing the fleet page")):
        stages.require_facts(warehouse, workspace, *MARTS)
        season, out = workspace.season, workspace.out
        paths = write_fleet(load_fleet_page(warehouse, season), season, out, formats)
        return [*paths, write_season_loads(load_season_loads_page(warehouse), season, out)]


def publish_season_report(workspace: Workspace, reporter: Reporter, formats: OutputFormats = HTML) -> list[Path]:
    """Write the season report and the pages it links to: its loads, the outcome of advice, the guide."""
    start_script_bundle()
    with stages.open_warehouse(workspace) as warehouse, reporter.stage(mark("Writing the season report")):
        stages.require_facts(warehouse, workspace, *MARTS)
        season, out = stages.priced_season(warehouse, workspace.season), workspace.out
        paths = write_season(load_season_page(warehouse, season), season, out, formats)
        paths.append(write_season_loads(load_season_loads_page(warehouse), season, out))
        paths += _linked_followed_page(warehouse, season, out)
        return [*paths, *write_guide(load_guide_page(warehouse), season, out)]


def publish_grower_sheets(
    workspace: Workspace, reporter: Reporter, formats: OutputFormats = HTML, only: str | None = None
) -> list[Path]:
    """Write one sheet per grower, or only for the grower `only`, on all cores.

    Returns:
        The paths, in order of growers.

    Raises:
        WorkspaceError: there is no such grower, or fields have no growers.
    """
    season, out = workspace.season, workspace.out / "growers"
    with ProcessExecutor() as executor:
        with stages.open_warehouse(workspace) as warehouse:
            stages.require_facts(warehouse, workspace, *MARTS)
            if only is None and warehouse.table("field")["grower_id"].n_unique() >= MIN_PARALLEL_SHEETS:
                executor.warm(write_sheet_job.__module__)  # the processes start while the data are read
            found = list(grower_data(warehouse, season))
        jobs = [SheetJob(d, season, out, formats) for d in found if only in {None, d.grower}]
        if not jobs:
            growers = [d.grower for d in found]
            raise WorkspaceError(
                "there is no grower '{grower}'" if only else "the fields have no growers",
                where=str(workspace.root),
                remedy="{hint}" if growers else "check the list of fields in the export",
                grower=only,
                hint=use_one_of(only or "", growers),
            )
        paths = []
        with reporter.stage(mark_n("Writing {n} grower sheet", "Writing {n} grower sheets"), len(jobs)) as advance:
            for written in executor(write_sheet_job, jobs):
                paths += written
                advance()
        return paths


def publish_what_if_page(workspace: Workspace, reporter: Reporter) -> Path:
    """Write the what-if page with its sliders."""
    with reporter.stage(mark("Writing the what-if page")), Warehouse.open_read_only(workspace.warehouse) as warehouse:
        stages.require_facts(warehouse, workspace)
        season = stages.priced_season(warehouse, workspace.season)
        return write_what_if(load_what_if_page(warehouse, workspace.what_if), season, workspace.out)


def publish_load_page(
    workspace: Workspace, load_id: str, setting: str | None, reporter: Reporter, formats: OutputFormats = HTML
) -> list[Path]:
    """Write the page of one load."""
    season = workspace.season
    with stages.open_warehouse(workspace) as warehouse, reporter.stage(mark("Writing the load page")):
        stages.require_facts(warehouse, workspace)
        try:
            data = load_load_page(load_id, warehouse, Lake(workspace.lake), season.catalogue)
        except UntracedLoadError as untraced:
            raise WorkspaceError(
                "load '{load}' was not traced ({reason})",
                where="the load traces",
                remedy="choose another load, or supply the missing data and run 'taretrace ingest' again",
                load=load_id,
                reason=format_reason(untraced.why, season.catalogue),
            ) from untraced
        return write_load_page(data, season, workspace.out, setting, formats)


def write_text_catalogue(workspace: Workspace) -> Path:
    """Write the catalogue of all English texts into the workspace for translation."""
    folder = workspace.season.texts or workspace.root / "text"
    folder.mkdir(exist_ok=True)
    path = folder / "catalogue.pot"
    path.write_text(files("reports.language").joinpath("catalogue.pot").read_text("utf-8"), "utf-8")
    return path
