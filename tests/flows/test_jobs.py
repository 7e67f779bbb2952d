"""What the schedule's jobs leave behind: the weekly benchmark, the nightly refit, the end of the season."""

import shutil
from pathlib import Path

import pytest

from flows.engine import Engine
from flows.jobs import run_job
from flows.schedule import COMPARE, REFIT, SEASON_END
from tests.proofs.seasons import QUIET, Season
from tests.whole import assert_same, every_table
from transforms.workspace import Workspace


@pytest.mark.slow
def test_every_night_all_is_fitted_anew_to_the_same_tables_and_at_the_end_every_page_is_written(
    season: Season, tmp_path, prefect_home
):
    workspace = Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / "season")))
    with Engine(prefect_home) as engine:
        engine.ready()
        done = run_job(SEASON_END, workspace, QUIET)
        names = {p.name for p in done.pages}
        assert {"season.html", "season.pdf", "season.xlsx", "fleet.html", "guide.html"} <= names
        assert any(p.parent.name == "growers" and p.suffix == ".pdf" for p in done.pages)
        assert all(p.exists() for p in done.pages)
        before = every_table(workspace)
        (workspace.products / "forgotten.npz").write_bytes(b"of no fit")
        night = run_job(REFIT, workspace, QUIET)
        assert_same(before, every_table(workspace))
        assert "forgotten.npz" not in {p.name for p in workspace.products.iterdir()}
        assert night.pages[0].name.startswith("shift")
        week = run_job(COMPARE, workspace, QUIET)
    assert week.pages[0].name == "fleet.html"
    assert [p for p in week.pages if p.parent.name == "growers"]
