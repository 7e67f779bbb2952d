"""What is run on schedule: the post-shift run, the nightly refit, the weekly benchmark, the end of the season."""

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
from reports.page.formats import Forms
from transforms.config.workspace import Workspace
from transforms.ingest.ingest_file import IngestedFile
from transforms.parallel import Executor

EVERY_FORM = Forms(pdf=True, xlsx=True)


@dataclass(frozen=True)
class Done:
    """What a job did: the files it received, the pages it wrote, the first first."""

    received: list[IngestedFile] = field(default_factory=list)
    pages: list[Path] = field(default_factory=list)


@flow(name=f"{WHOLE} stages", validate_parameters=False, persist_result=False)
def whole(workspace: Workspace, reporter: Reporter, spread: Executor) -> Done:
    """Files in, page out: find new files, read, bin, trace, conditions, marts, fit, checks, advice, shift page."""
    received = files_to_facts(workspace, reporter, spread)
    return Done(received, after_facts(workspace, reporter, spread))


@flow(name=f"{POST_SHIFT} stages", validate_parameters=False, persist_result=False)
def post_shift(workspace: Workspace, reporter: Reporter, spread: Executor) -> Done:
    """As `whole`; but where a nightly refit is planned, the checks that fit again and the comparison are left to it."""
    received = files_to_facts(workspace, reporter, spread)
    return Done(received, after_facts(workspace, reporter, spread, judge=workspace.season.schedule.refit is None))


@flow(name=f"{REFIT} stages", validate_parameters=False, persist_result=False)
def refit(workspace: Workspace, reporter: Reporter, spread: Executor) -> Done:
    """Fit anew from the rows themselves: nothing that was kept from earlier fits is believed."""
    step(stages.forget_products)(workspace)
    written = after_facts(workspace, reporter, spread)
    step(stages.roll_up, retries=2)(workspace, reporter)
    return Done(pages=written)


@flow(name=f"{COMPARE} stages", validate_parameters=False, persist_result=False)
def compare(workspace: Workspace, reporter: Reporter, spread: Executor) -> Done:  # noqa: ARG001
    """Write the page that compares the fleet, and a sheet for each grower."""
    fleet = step(pages.fleet_page, retries=2)(workspace, reporter)
    return Done(pages=[*fleet, *step(pages.grower_sheets, retries=2)(workspace, reporter)])


@flow(name=f"{SEASON_END} stages", validate_parameters=False, persist_result=False)
def season_end(workspace: Workspace, reporter: Reporter, spread: Executor) -> Done:
    """Take in what came last, and write every page of the season, as PDF and workbook too."""
    received = files_to_facts(workspace, reporter, spread)
    shift = after_facts(workspace, reporter, spread)
    written = [
        p
        for page in (pages.season_report, pages.guide_pages, pages.fleet_page, pages.grower_sheets)
        for p in step(page, retries=2)(workspace, reporter, EVERY_FORM)
    ]
    return Done(received, [*written, *shift])


JOBS: dict[str, Any] = {WHOLE: whole, POST_SHIFT: post_shift, REFIT: refit, COMPARE: compare, SEASON_END: season_end}


def run_job(job: str, workspace: Workspace, reporter: Reporter) -> Done:
    """Run a job where the season says."""
    with helpers(workspace) as local:
        there, spread = placed(JOBS[job], workspace.season.place, local)
        done: Any = there(workspace, reporter, spread)
    return Done(done.received, done.pages)
