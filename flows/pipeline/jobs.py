"""Scheduled jobs: post-shift run, nightly refit, weekly benchmark, end of season."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from prefect import flow

from flows import stages
from flows.pipeline.tasks import as_stage_task, build_facts_from_files, fit_and_report
from flows.runtime.dask import choose_executor
from flows.runtime.local_pool import helpers
from flows.runtime.progress import Reporter
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, WHOLE
from flows.stages import pages
from flows.stages.delivery import deliver_pages
from reports.page.formats import OutputFormats
from transforms.config.workspace import Workspace
from transforms.ingest.ingest_file import IngestedFile
from transforms.operations.publish import Publication
from transforms.parallel import Executor

ALL_FORMATS = OutputFormats(pdf=True, xlsx=True)


@dataclass(frozen=True)
class JobResult:
    """Result of a job.

    Attributes:
        received: the files it received.
        pages: the pages it wrote, the main page first.
        published: the outcome of publishing them; None if season.toml names no folder.
    """

    received: list[IngestedFile] = field(default_factory=list)
    pages: list[Path] = field(default_factory=list)
    published: Publication | None = None


@flow(name=f"{WHOLE} stages", validate_parameters=False, persist_result=False)
def run_all_stages(workspace: Workspace, reporter: Reporter, executor: Executor) -> JobResult:
    """Run every stage, from new files to the shift page."""
    received = build_facts_from_files(workspace, reporter, executor)
    return JobResult(received, fit_and_report(workspace, reporter, executor))


@flow(name=f"{POST_SHIFT} stages", validate_parameters=False, persist_result=False)
def post_shift(workspace: Workspace, reporter: Reporter, executor: Executor) -> JobResult:
    """Run every stage; if a nightly refit is scheduled, leave refit-based checks and the fleet comparison to it."""
    received = build_facts_from_files(workspace, reporter, executor)
    return JobResult(
        received, fit_and_report(workspace, reporter, executor, refit_checks=workspace.season.schedule.refit is None)
    )


@flow(name=f"{REFIT} stages", validate_parameters=False, persist_result=False)
def refit(workspace: Workspace, reporter: Reporter, executor: Executor) -> JobResult:
    """Refit from raw rows, ignoring the caches of earlier fits, and delete expired records."""
    as_stage_task(stages.clear_product_cache)(workspace)
    written = fit_and_report(workspace, reporter, executor)
    as_stage_task(stages.delete_expired_records, retries=2)(workspace, reporter)
    return JobResult(pages=written)


@flow(name=f"{COMPARE} stages", validate_parameters=False, persist_result=False)
def compare(workspace: Workspace, reporter: Reporter, executor: Executor) -> JobResult:  # noqa: ARG001
    """Write the fleet page and the grower sheets."""
    fleet = as_stage_task(pages.publish_fleet_page, retries=2)(workspace, reporter)
    return JobResult(pages=[*fleet, *as_stage_task(pages.publish_grower_sheets, retries=2)(workspace, reporter)])


@flow(name=f"{SEASON_END} stages", validate_parameters=False, persist_result=False)
def season_end(workspace: Workspace, reporter: Reporter, executor: Executor) -> JobResult:
    """Ingest the last files and write every page of the season, also as PDF and workbook."""
    received = build_facts_from_files(workspace, reporter, executor)
    shift_pages = fit_and_report(workspace, reporter, executor)
    written = [
        p
        for page in (
            pages.publish_season_report,
            pages.publish_guide,
            pages.publish_fleet_page,
            pages.publish_followed_page,
            pages.publish_grower_sheets,
        )
        for p in as_stage_task(page, retries=2)(workspace, reporter, ALL_FORMATS)
    ]
    return JobResult(received, [*written, *shift_pages])


JOBS: dict[str, Any] = {
    WHOLE: run_all_stages,
    POST_SHIFT: post_shift,
    REFIT: refit,
    COMPARE: compare,
    SEASON_END: season_end,
}


def run_job(job: str, workspace: Workspace, reporter: Reporter) -> JobResult:
    """Run a job, on this machine or on the Dask cluster that season.toml configures, and deliver its pages."""
    with helpers(workspace) as local:
        placed_flow, executor = choose_executor(JOBS[job], workspace.season.place, local)
        done: Any = placed_flow(workspace, reporter, executor)
    return JobResult(done.received, done.pages, deliver_pages(workspace, reporter))
