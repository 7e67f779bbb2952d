"""Scheduled jobs: post-shift run, nightly refit, weekly benchmark, end of season."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from prefect import flow

from flows import stages
from flows.pipeline.tasks import after_facts, files_to_facts, step
from flows.runtime.dask import placed
from flows.runtime.local_pool import helpers
from flows.runtime.progress import Reporter
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, WHOLE
from flows.stages import pages
from reports.page.formats import OutputFormats
from transforms.config.workspace import Workspace
from transforms.ingest.ingest_file import IngestedFile
from transforms.parallel import Executor

ALL_FORMATS = OutputFormats(pdf=True, xlsx=True)


@dataclass(frozen=True)
class Done:
    """Result of a job: the files it received and the pages it wrote, the main page first."""

    received: list[IngestedFile] = field(default_factory=list)
    pages: list[Path] = field(default_factory=list)


@flow(name=f"{WHOLE} stages", validate_parameters=False, persist_result=False)
def whole(workspace: Workspace, reporter: Reporter, executor: Executor) -> Done:
    """Run every stage, from new files to the shift page."""
    received = files_to_facts(workspace, reporter, executor)
    return Done(received, after_facts(workspace, reporter, executor))


@flow(name=f"{POST_SHIFT} stages", validate_parameters=False, persist_result=False)
def post_shift(workspace: Workspace, reporter: Reporter, executor: Executor) -> Done:
    """Run every stage; if a nightly refit is scheduled, leave refit-based checks and the fleet comparison to it."""
    received = files_to_facts(workspace, reporter, executor)
    return Done(
        received, after_facts(workspace, reporter, executor, refit_checks=workspace.season.schedule.refit is None)
    )


@flow(name=f"{REFIT} stages", validate_parameters=False, persist_result=False)
def refit(workspace: Workspace, reporter: Reporter, executor: Executor) -> Done:
    """Refit from raw rows, ignoring the caches of earlier fits, and delete expired records."""
    step(stages.forget_products)(workspace)
    written = after_facts(workspace, reporter, executor)
    step(stages.roll_up, retries=2)(workspace, reporter)
    return Done(pages=written)


@flow(name=f"{COMPARE} stages", validate_parameters=False, persist_result=False)
def compare(workspace: Workspace, reporter: Reporter, executor: Executor) -> Done:  # noqa: ARG001
    """Write the fleet page and the grower sheets."""
    fleet = step(pages.fleet_page, retries=2)(workspace, reporter)
    return Done(pages=[*fleet, *step(pages.grower_sheets, retries=2)(workspace, reporter)])


@flow(name=f"{SEASON_END} stages", validate_parameters=False, persist_result=False)
def season_end(workspace: Workspace, reporter: Reporter, executor: Executor) -> Done:
    """Ingest the last files and write every page of the season, also as PDF and workbook."""
    received = files_to_facts(workspace, reporter, executor)
    shift_pages = after_facts(workspace, reporter, executor)
    written = [
        p
        for page in (pages.season_report, pages.guide_pages, pages.fleet_page, pages.grower_sheets)
        for p in step(page, retries=2)(workspace, reporter, ALL_FORMATS)
    ]
    return Done(received, [*written, *shift_pages])


JOBS: dict[str, Any] = {WHOLE: whole, POST_SHIFT: post_shift, REFIT: refit, COMPARE: compare, SEASON_END: season_end}


def run_job(job: str, workspace: Workspace, reporter: Reporter) -> Done:
    """Run a job with the executor that season.toml configures: this machine or a Dask cluster."""
    with helpers(workspace) as local:
        placed_flow, executor = placed(JOBS[job], workspace.season.place, local)
        done: Any = placed_flow(workspace, reporter, executor)
    return Done(done.received, done.pages)
