"""Complete runs on unusual deliveries: tares after the fit, a climate archive, names that contain scripts."""

import datetime as dt
import shutil

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from flows.stages import pages
from tests.validation.seasons import QUIET, Season, copy_of, ingest
from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse


@pytest.mark.slow
def test_tares_that_arrive_after_the_fit_give_the_same_result(season: Season, tmp_path):
    """Half of the lab results arrive after the fit; the next run uses all of them, with identical results."""
    workspace = Workspace(tmp_path / "late")
    for folder in (season.workspace.inbox, season.workspace.mappings):
        shutil.copytree(folder, workspace.root / folder.name)
    shutil.copy(season.workspace.root / "season.toml", workspace.root)
    rows = pl.read_excel(workspace.inbox / "tares.xlsx", sheet_name="Results")
    rows.filter(pl.col("Sample").str.slice(-1).is_in(list("02468"))).write_excel(
        workspace.inbox / "tares.xlsx", worksheet="Results"
    )
    ingest(workspace)
    early = stages.fit_responses(workspace, QUIET)
    rows.write_excel(workspace.inbox / "tares_late.xlsx", worksheet="Results")
    ingest(workspace)
    late = stages.fit_responses(workspace, QUIET)
    assert early.dirt is not None
    assert late.dirt is not None
    assert season.fits.dirt is not None
    assert early.dirt.z.size < late.dirt.z.size == season.fits.dirt.z.size
    with Warehouse(workspace.warehouse) as warehouse, Warehouse(season.workspace.warehouse) as whole:
        for table in ("tare", "load_tare", "load_fact", "effect", "expected_load"):
            assert warehouse.table(table).equals(whole.table(table)), table


@pytest.mark.slow
def test_a_climate_archive_alone_wets_the_fields(tmp_path):
    workspace = write_demo(tmp_path / "w", machines=2, days=2, seed=3, hz=0.05, reporter=QUIET)
    for path in workspace.inbox.glob("weather_*"):
        path.unlink()
    for path in workspace.mappings.glob("weather*"):
        path.unlink()
    (workspace.mappings / "archive.toml").write_text(
        'kind = "weather_reading"\nform = "ghcn_daily"\nfiles = ["ghcn*.csv"]\n'
    )
    fields = pl.read_csv(workspace.inbox / "fields.csv")
    days = [dt.date(2025, 9, 20) + dt.timedelta(days=d) for d in range(25)]
    lines = [
        f"{station},{day:%Y%m%d},{element},{value},,,E,"
        for station in fields["station_id"].unique().sort()
        for day in days
        for element, value in (("TMAX", 180), ("TMIN", 60), ("PRCP", 150 if day.day % 5 == 0 else 0))
    ]
    (workspace.inbox / "ghcn_2025.csv").write_text("\n".join(lines) + "\n")
    ingest(workspace)
    with Warehouse(workspace.warehouse) as warehouse:
        hours, facts = warehouse.table("field_hour"), warehouse.table("load_fact")
    assert hours["field_id"].n_unique() == fields.height
    assert hours["topsoil_wetness"].is_between(0, 1).all()
    rainy = hours.group_by(pl.col("hour_at").dt.date().alias("day")).agg(pl.col("topsoil_wetness").mean()).sort("day")
    wet = dict(rainy.iter_rows())
    assert wet[dt.date(2025, 9, 26)] > wet[dt.date(2025, 9, 29)]
    assert facts["topsoil_wetness"].null_count() < facts.height


@pytest.mark.slow
def test_scripts_in_names_of_files_and_rows_are_inert_on_the_page(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    evil = "<script>alert(1)</script>"
    tickets = (workspace.inbox / "tickets_north.csv").read_text().splitlines(keepends=True)
    (workspace.inbox / f"tickets_{evil.replace('/', '')}.csv").write_text(
        tickets[0] + f"{evil};{evil};;{evil};;31.02.2025 25:00;1;1\n"
    )
    (workspace.inbox / f"{evil.replace('/', '')}.csv").write_text(f"{evil}\n{evil}\n")
    ingest(workspace)
    stages.advise_machines(workspace, stages.fit_responses(workspace, QUIET), QUIET)
    page = "".join(path.read_text() for path in pages.publish_shift_page(workspace, QUIET))
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert" not in page
