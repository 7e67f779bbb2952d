"""Outcome stages: what machines did with the advice."""

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts
from reports.language.translate import mark
from transforms.config.workspace import Workspace
from transforms.jobs.advice_uptake import season_uptake
from transforms.storage.lake import Lake


def assess_uptake(workspace: Workspace, reporter: Reporter) -> None:
    """Compare the advice in force with the settings that machines ran at, for every shift worked."""
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Comparing advice with what machines did")):
        require_facts(warehouse, workspace)
        rows = season_uptake(warehouse, Lake(workspace.lake), workspace.season)
        with warehouse.transaction():
            warehouse.replace("advice_uptake", rows)
