"""Jobs: post-shift run, nightly refit, weekly benchmark, end of season. Each runs in one flow and calls its tasks."""

from collections.abc import Callable
from typing import Any

from flows.pipeline import tasks
from flows.pipeline.job_result import JobResult
from flows.pipeline.run_context import RunContext, StageError, running
from flows.runtime.dask import place_executor
from flows.runtime.local_pool import helpers
from flows.runtime.progress import Reporter
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, WHOLE
from transforms.config.workspace import Workspace
from transforms.operations.stage_record import attaches_pdf, page_variant


def build_facts() -> list[Any]:
    """Ingest new files and build the facts: read, bin, trace, conditions, marts, uptake, storability."""
    received = tasks.receive_files()
    traced = tasks.trace_loads(wait_for=[tasks.bin_telemetry(wait_for=[received])])
    marts = tasks.build_marts(wait_for=[traced, tasks.compute_conditions(wait_for=[received])])
    return [tasks.assess_uptake(wait_for=[marts]), tasks.assess_storability(wait_for=[marts])]


def _fit_and_report(run: RunContext, after: list[Any]) -> Any:
    """Fit and write the shift page: fit, checks, comparison, missing data, advice, guide, page.

    Args:
        run: the running job.
        after: results of the tasks to wait for.

    Returns:
        The result of the shift page.
    """
    fits = tasks.fit_responses(run.mode, wait_for=after)
    products = [
        tasks.check_fits(run.mode, wait_for=[fits]),
        tasks.compare_subjects(run.mode, wait_for=[fits]),
        tasks.assess_missing_data(run.mode, wait_for=[fits]),
        tasks.advise_machines(wait_for=[fits]),
        tasks.compute_guide(wait_for=[fits]),
    ]
    variant = page_variant(pdf=attaches_pdf(run.workspace.season), xlsx=False)
    return tasks.write_shift_page(variant, wait_for=[*products, *after])


def run_all_stages(run: RunContext) -> list[Any]:
    """Run every stage, from new files to the shift page."""
    return [_fit_and_report(run, build_facts())]


def post_shift(run: RunContext) -> list[Any]:
    """Run every stage; if a nightly refit is scheduled, fit by day and leave refits and comparison to the night."""
    run.refit_checks = run.workspace.season.schedule.refit is None
    run.night_fits = "ignore" if run.refit_checks else "use"
    return run_all_stages(run)


def refit(run: RunContext) -> list[Any]:
    """Refit from raw rows, ignoring the caches of earlier fits, and delete expired records."""
    run.skips, run.night_fits = False, "store"
    page = _fit_and_report(run, [tasks.clear_product_cache()])
    tasks.delete_expired_records(wait_for=[page])
    return [page]


def compare(_: RunContext) -> list[Any]:
    """Write the fleet page and the grower sheets."""
    return [tasks.write_fleet_page(is_printed=False), tasks.write_grower_sheets(is_printed=False)]


def season_end(run: RunContext) -> list[Any]:
    """Ingest the last files and write every page of the season, also as PDF and workbook."""
    shift_page = _fit_and_report(run, build_facts())
    written = [
        tasks.write_season_report(wait_for=[shift_page]),
        tasks.write_guide(wait_for=[shift_page]),
        tasks.write_fleet_page(is_printed=True, wait_for=[shift_page]),
        tasks.write_followed_page(wait_for=[shift_page]),
        tasks.write_grower_sheets(is_printed=True, wait_for=[shift_page]),
    ]
    return [*written, shift_page]


JOBS: dict[str, Callable[[RunContext], list[Any]]] = {
    WHOLE: run_all_stages,
    POST_SHIFT: post_shift,
    REFIT: refit,
    COMPARE: compare,
    SEASON_END: season_end,
}


def run_job(job: str, workspace: Workspace, reporter: Reporter) -> JobResult:
    """Run a job in the running flow, on this machine or on the Dask cluster of season.toml, and deliver its pages.

    Raises:
        BaseException: the error of the stage that failed.
    """
    try:
        with (
            helpers(workspace) as local,
            place_executor(workspace.season.place, local) as executor,
            running(RunContext(workspace, reporter, executor)) as run,
        ):
            results = JOBS[job](run)
            tasks.deliver_pages(wait_for=results)
    except StageError as failed:
        raise failed.problem from None
    return JobResult(run.received, [p for result in results for p in result.files], run.published)
