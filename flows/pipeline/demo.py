"""Writes the demo season as a workspace with full inbox; what runs on it afterwards is the customer's own flow."""

import shutil
from pathlib import Path

from flows.runtime.progress import Reporter
from transforms.config.settings_catalogue import load_catalogue
from transforms.config.workspace import HOME, Workspace, init_workspace, season_template
from transforms.demo.district import LOCAL_ZONE
from transforms.demo.exports import write_exports, write_truth
from transforms.demo.scenario import DEMO, Scenario
from transforms.demo.season import DemoSeason, Plan, invent_season
from transforms.errors import WorkspaceError

MARK = ".taretrace-demo"


def _season_toml(season: DemoSeason) -> str:
    sites = "\n".join(
        f"[sites.{name}]\nlat_deg = {lat:.5f}\nlon_deg = {lon:.5f}\n"
        for name, (lat, lon) in season.district.sites.items()
    )
    text = (
        season_template()
        .replace('name = "New season"', 'name = "Demo season (invented)"')
        .replace("Europe/Prague", LOCAL_ZONE)
    )
    head, tail = text.split("[sites]", 1)
    _, prices = tail.split("[prices]", 1)
    return f"{head}{sites}\n[prices]{prices}"


def clear_demo(folder: Path) -> None:
    """Take an earlier demo away.

    Raises:
        WorkspaceError: the folder holds something that is not an earlier demo.
    """
    inside = [p for p in folder.iterdir() if p.name != HOME] if folder.is_dir() else [folder][: folder.exists()]
    if not inside:
        return
    if not (folder / MARK).exists():
        raise WorkspaceError(
            "the folder is not empty and no earlier demo", where=str(folder), remedy="name a new folder"
        )
    for path in inside:
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def write_demo(
    folder: Path, *, machines: int, days: int, seed: int, hz: float, reporter: Reporter, hardship: Scenario = DEMO
) -> Workspace:
    """Invent a season and write its exports, mappings and season.toml; its truth goes apart, for tests alone.

    Raises:
        WorkspaceError: the folder holds something that is not an earlier demo.
    """
    clear_demo(folder)
    catalogue = load_catalogue()
    with reporter.stage("Inventing the season"):
        season = invent_season(Plan(machines, days, seed, hz, hardship), catalogue)
    with reporter.stage("Writing its exports"):
        workspace = init_workspace(folder, _season_toml(season))
        (folder / MARK).write_text("made by 'taretrace demo'; it may be made anew\n", "utf-8")
        write_exports(season, catalogue, workspace.inbox, workspace.mappings)
        write_truth(season, folder / "truth")
    return workspace
