"""The stages that write pages: each reads tables and writes files into the workspace's `out/`."""

from pathlib import Path

from flows import stages
from flows.progress import Reporter
from reports.fleet_page import write_fleet
from reports.guide_page import write_guide
from reports.load_page import write_load_page
from reports.page import Forms
from reports.shift_page import write_shift_page
from reports.what_if_page import write_what_if
from transforms.advice.what_if import read_table
from transforms.errors import WorkspaceError
from transforms.lake import Lake
from transforms.trace.load_picture import load_picture
from transforms.workspace import Workspace

HTML = Forms()


def shift_page(workspace: Workspace, reporter: Reporter, forms: Forms = HTML) -> list[Path]:
    """Write the shift page, after how the shift went."""
    with reporter.stage("Writing the shift page"):
        stages.course(workspace)
        with stages.open_warehouse(workspace) as warehouse:
            return write_shift_page(warehouse, workspace.season, workspace.out, forms)


def guide_pages(workspace: Workspace, reporter: Reporter, forms: Forms = HTML) -> list[Path]:
    """Write the setting guide and its cards."""
    with stages.open_warehouse(workspace) as warehouse, reporter.stage("Writing the setting guide"):
        if not warehouse.table("guide_class").height:
            raise WorkspaceError(
                "there is no guide yet", where=str(workspace.root), mend="run 'taretrace post-shift' on it first"
            )
        return write_guide(warehouse, workspace.season, workspace.out, forms)


def fleet_page(workspace: Workspace, reporter: Reporter, forms: Forms = HTML) -> list[Path]:
    """Write the page that compares the fleet."""
    with stages.open_warehouse(workspace) as warehouse, reporter.stage("Writing the fleet's page"):
        stages.require_facts(warehouse, workspace)
        return write_fleet(warehouse, workspace.season, workspace.out, forms)


def what_if_page(workspace: Workspace, reporter: Reporter) -> Path:
    """Write the page with sliders."""
    season = workspace.season
    with reporter.stage("Writing the what-if page"):
        return write_what_if(read_table(workspace.what_if), season, workspace.out)


def load_page(workspace: Workspace, load_id: str, setting: str | None, reporter: Reporter) -> Path:
    """Write the page of one load."""
    with stages.open_warehouse(workspace) as warehouse, reporter.stage("Writing the load's page"):
        picture = load_picture(load_id, warehouse, Lake(workspace.lake))
        return write_load_page(picture, workspace.season, workspace.out, setting)
