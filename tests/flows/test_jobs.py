"""Results of the scheduled jobs: post-shift run, nightly refit, weekly benchmark, end of season."""

import datetime as dt
import shutil
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import polars as pl
import pytest
from prefect import flow

from flows import stages
from flows.pipeline import jobs
from flows.pipeline.job_result import JobResult
from flows.pipeline.run_context import RunContext
from flows.runtime.prefect_server import Engine
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, WHOLE
from reports.sections.fit_checks import earlier_shift_note
from tests.support.program import Demo
from tests.support.workspace_tables import assert_same, every_table
from tests.validation.seasons import QUIET, Season
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Workspace
from transforms.contracts.reason import reason
from transforms.jobs.fit_jobs import FitJob
from transforms.model.checks.fit_checks import BY_REFITTING, Row
from transforms.parallel import serial

if TYPE_CHECKING:
    from transforms.model.fit_result import ResponseFit

LONG_AGO = dt.date(2025, 1, 1)
REFITTED = [row for rows in BY_REFITTING.values() for row in rows]


def of_long_ago(table: pl.DataFrame) -> pl.DataFrame:
    return table.with_columns(pl.lit(LONG_AGO).alias("last_shift_date"), pl.lit("no_site").alias("reason_code"))


def test_the_post_shift_run_keeps_refit_based_results_and_the_nightly_run_replaces_them(
    demo: Demo, tmp_path, monkeypatch
):
    workspace, last = Workspace(tmp_path), dt.date(2025, 1, 2)
    for name in ("season.toml", "warehouse.duckdb"):
        shutil.copy(demo.workspace.root / name, tmp_path / name)
    dirt, loss = (cast("ResponseFit", SimpleNamespace(response=r, last_shift_date=last)) for r in (DIRT, ROOT_LOSS))
    fits = stages.Fits({DIRT: dirt, ROOT_LOSS: loss})

    def checked(job: FitJob) -> list[Row]:
        return [
            {"check": row, "value": 1.0, "bound": 2.0, "passed": True, **reason("no_condition_varies").columns}
            for row in BY_REFITTING.get(job.name, (job.name,))
        ]

    monkeypatch.setattr(import_module("flows.stages.fit"), "run_fit_check", checked)
    monkeypatch.setattr(import_module("flows.stages.fit"), "sampling_check", lambda *_: [])
    before = stages.check_fits(workspace, fits, QUIET)
    assert set(before["last_shift_date"]) == {last}
    lost = (pl.col("response") == ROOT_LOSS) & pl.col("check").str.starts_with("later_week")
    old = pl.col("check").is_in(REFITTED) & ~lost
    with stages.open_warehouse(workspace) as warehouse:
        compared = of_long_ago(warehouse.table("benchmark"))
        warehouse.replace("fit_check", of_long_ago(before).filter(~lost))
        warehouse.replace("benchmark", compared)

    checks = stages.check_fits(workspace, fits, QUIET, refits=False)
    assert checks.select("response", "check").equals(before.select("response", "check"))
    assert checks.filter(old).equals(of_long_ago(before.filter(old)))
    assert checks.filter(~old).equals(before.filter(~old))
    of_dirt = checks.filter(pl.col("response") == DIRT)
    assert "5 checks refit the model: they are from the shift of Wed, 1 Jan 2025" in earlier_shift_note(of_dirt)
    assert compared.height > 0
    assert stages.compare_subjects(workspace, fits, QUIET, recompute=False).equals(compared)

    assert stages.check_fits(workspace, fits, QUIET).equals(before)
    assert earlier_shift_note(before) == ""


@pytest.mark.parametrize(("line", "refits"), [('refit = "02:00"', False), ('refit = ""', True)])
def test_refit_checks_are_left_to_the_nightly_refit_only_if_one_is_scheduled(
    demo: Demo, tmp_path, monkeypatch, line, refits
):
    toml = (demo.workspace.root / "season.toml").read_text("utf-8")
    others = [given for given in toml.splitlines() if not given.startswith("refit")]
    planned = "\n".join(others).replace("[schedule]\n", f"[schedule]\n{line}\n")
    tmp_path.joinpath("season.toml").write_text(planned, "utf-8")
    requested: list[tuple[bool, str]] = []

    monkeypatch.setattr(jobs, "build_facts", list)
    monkeypatch.setattr(jobs, "_fit_and_report", lambda run, _: requested.append((run.refit_checks, run.night_fits)))
    for name in (POST_SHIFT, WHOLE):
        jobs.JOBS[name](RunContext(Workspace(tmp_path), QUIET, serial))
    assert requested == [(refits, "ignore" if refits else "use"), (True, "ignore")]


def run_in_flow(job: str, workspace: Workspace) -> JobResult:
    """Run a job in a flow, as a schedule does."""
    done: list[JobResult] = []

    @flow(name=job)
    def run() -> None:
        done.append(jobs.run_job(job, workspace, QUIET))

    run()
    return done[0]


@pytest.mark.slow
def test_the_nightly_refit_gives_the_same_tables_and_the_season_end_writes_every_page(
    season: Season, tmp_path, prefect_home
):
    workspace = Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / "season")))
    with Engine(prefect_home) as engine:
        engine.ready()
        done = run_in_flow(SEASON_END, workspace)
        names = {p.name for p in done.pages}
        assert {"season.html", "season.pdf", "season.xlsx", "fleet.html", "guide.html"} <= names
        assert any(p.parent.name == "growers" and p.suffix == ".pdf" for p in done.pages)
        assert all(p.exists() for p in done.pages)
        before = every_table(workspace)
        (workspace.products / "forgotten.npz").write_bytes(b"of no fit")
        night = run_in_flow(REFIT, workspace)
        assert_same(before, every_table(workspace))
        assert "forgotten.npz" not in {p.name for p in workspace.products.iterdir()}
        assert night.pages[0].name.startswith("shift")
        week = run_in_flow(COMPARE, workspace)
    assert week.pages[0].name == "fleet.html"
    assert [p for p in week.pages if p.parent.name == "growers"]
