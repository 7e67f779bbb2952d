"""Workspace of the demo season, with a full inbox; the normal post-shift flow then runs on it."""

import shutil
from pathlib import Path

from flows.runtime.progress import Reporter
from reports.language.translate import mark
from transforms.config.json_schema import write_schemas
from transforms.config.season_writer import SeasonAnswers, season_text
from transforms.config.settings_catalogue import load_catalogue
from transforms.config.workspace import HOME, Workspace, init_workspace
from transforms.demo.district import LOCAL_ZONE
from transforms.demo.exports import write_exports, write_truth
from transforms.demo.scenario import DEMO, Plan, Scenario
from transforms.demo.season import DemoSeason, invent_season
from transforms.errors import WorkspaceError

MARK = ".taretrace-demo"
"""Marker file of a demo folder, which may be replaced."""


def render_season_toml(season: DemoSeason) -> str:
    """Return the text of `season.toml` of a demo season, with its factories."""
    sites = {name: (round(lat, 5), round(lon, 5)) for name, (lat, lon) in season.district.sites.items()}
    return season_text(SeasonAnswers({"name": "Demo season (invented)", "time_zone": LOCAL_ZONE}, sites))


def clear_demo(folder: Path) -> None:
    """Delete an earlier demo.

    Raises:
        WorkspaceError: the folder holds something that is not an earlier demo.
    """
    paths = [p for p in folder.iterdir() if p.name != HOME] if folder.is_dir() else [folder][: folder.exists()]
    if not paths:
        return
    if not (folder / MARK).exists():
        raise WorkspaceError(
            "the folder is not empty and is not an earlier demo", where=str(folder), remedy="name a new folder"
        )
    for path in paths:
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def write_demo(
    folder: Path, *, machines: int, days: int, seed: int, hz: float, reporter: Reporter, scenario: Scenario = DEMO
) -> Workspace:
    """Simulate a season and write its exports, mappings and season.toml; the true values are stored for tests only.

    Args:
        folder: the new workspace.
        machines: size of the fleet.
        days: length of the campaign.
        seed: seed of the simulation; the same seed gives the same files.
        hz: log records per second.
        reporter: shows progress.
        scenario: conditions and data faults to simulate.

    Raises:
        WorkspaceError: the folder holds something that is not an earlier demo.
    """
    clear_demo(folder)
    catalogue = load_catalogue()
    with reporter.stage(mark("Simulating the season")):
        season = invent_season(Plan(machines, days, seed, hz, scenario), catalogue)
    with reporter.stage(mark("Writing export files")):
        workspace = init_workspace(folder, render_season_toml(season))
        (folder / MARK).write_text("created by 'taretrace demo', which may replace this folder\n", "utf-8")
        write_schemas(folder, catalogue)
        write_exports(season, catalogue, workspace.inbox, workspace.mappings)
        write_truth(season, folder / "truth")
    return workspace
