"""Stages of a run as Prefect tasks, with retries only around input and output.

A task takes no parameter but the results it waits for, so that Prefect shows the graph and no internal object.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from prefect import task
from prefect.cache_policies import NO_CACHE
from prefect.logging import get_run_logger

from flows import stages
from flows.pipeline.delivery import deliver_pages as deliver
from flows.pipeline.run_context import RunContext, StageError, perform
from flows.stages import pages
from reports.page.formats import HTML, OutputFormats
from transforms.operations import stage_record as record

RETRY_WAIT_S = 2.0
"""Delay before a retry after a file system error, s."""
IO_RETRIES = 2
ALL_FORMATS = OutputFormats(pdf=True, xlsx=True)


def is_io_error(_task: Any, _run: Any, state: Any) -> bool:
    """Return True if a task failed with a file system error, the only kind of error that a retry can solve."""
    try:
        state.result()
    except StageError as failed:
        return isinstance(failed.problem, OSError)
    except Exception:  # noqa: BLE001
        return False
    return False


def _stage_task(name: str, *, retries: int = 0) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Return a decorator that makes a function a task of a run; calls take `wait_for`, the results to wait for."""
    decorate: Any = task(
        name=name,
        task_run_name=name,
        retries=retries,
        retry_delay_seconds=RETRY_WAIT_S,
        cache_policy=NO_CACHE,
        persist_result=False,
        retry_condition_fn=is_io_error if retries else None,
        log_prints=False,
    )
    return lambda function: decorate(function)  # noqa: PLW0108 - typed, unlike the decorator of Prefect


@_stage_task("receive files", retries=IO_RETRIES)
def receive_files() -> Any:
    """Ingest new files of the inbox."""

    def work(run: RunContext) -> None:
        received = stages.receive_files(run.workspace, run.reporter, run.executor)
        run.received.extend(received)
        counts = {key: sum(getattr(r, f"rows_{key}") for r in received) for key in ("in", "accepted", "rejected")}
        text = "files read: %d; rows: %d in, %d accepted, %d rejected"
        get_run_logger().info(text, len({r.file for r in received}), *counts.values())

    return perform("receive files", work)


@_stage_task("bin telemetry", retries=IO_RETRIES)
def bin_telemetry() -> Any:
    """Bin the telemetry of machine-days that changed."""
    return perform(
        "bin telemetry", lambda run: stages.bin_telemetry(run.workspace, run.reporter, run.executor), record.BIN
    )


@_stage_task("trace loads")
def trace_loads() -> Any:
    """Trace loads to the minutes that filled them."""
    return perform(
        "trace loads", lambda run: stages.trace_loads(run.workspace, run.reporter, run.executor), record.TRACE
    )


@_stage_task("compute conditions")
def compute_conditions() -> Any:
    """Compute the topsoil wetness of every field."""
    return perform(
        "compute conditions", lambda run: stages.compute_conditions(run.workspace, run.reporter), record.CONDITIONS
    )


@_stage_task("build marts")
def build_marts() -> Any:
    """Join all sources into one row per load."""
    return perform("build marts", lambda run: stages.build_marts(run.workspace, run.reporter), record.MARTS)


@_stage_task("assess uptake")
def assess_uptake() -> Any:
    """Compare advice with what machines did."""
    return perform("assess uptake", lambda run: stages.assess_uptake(run.workspace, run.reporter), record.UPTAKE)


@_stage_task("assess storability")
def assess_storability() -> Any:
    """Compute the storability of loads."""
    return perform(
        "assess storability", lambda run: stages.assess_storability(run.workspace, run.reporter), record.STORABILITY
    )


@_stage_task("clear product cache")
def clear_product_cache() -> Any:
    """Delete the caches of earlier fits."""
    return perform("clear product cache", lambda run: stages.clear_product_cache(run.workspace))


@_stage_task("fit responses")
def fit_responses(mode: str) -> Any:
    """Fit what drives dirt, losses, topping and damage; `mode` is `refits` or `kept`."""

    def work(run: RunContext) -> None:
        run.fits = stages.fit_responses(run.workspace, run.reporter, run.executor, night_fits=run.night_fits)

    return perform("fit responses", work, record.FIT, mode)


@_stage_task("check fits")
def check_fits(mode: str) -> Any:
    """Check every fit; `mode` is `refits` or `kept`."""

    def work(run: RunContext) -> None:
        stages.check_fits(run.workspace, run.need_fits(), run.reporter, run.executor, refits=run.refit_checks)

    return perform("check fits", work, record.CHECK, mode)


@_stage_task("compare subjects")
def compare_subjects(mode: str) -> Any:
    """Compare machines, operators, growers and fields; `mode` is `refits` or `kept`."""

    def work(run: RunContext) -> None:
        stages.compare_subjects(run.workspace, run.need_fits(), run.reporter, run.executor, recompute=run.refit_checks)

    return perform("compare subjects", work, record.COMPARE, mode)


@_stage_task("assess missing data")
def assess_missing_data(mode: str) -> Any:
    """Estimate what trucks or machines on every ticket would be worth, if `mode` is `refits`."""

    def work(run: RunContext) -> None:
        if run.refit_checks:
            stages.assess_missing_data(run.workspace, run.reporter, run.executor)

    return perform("assess missing data", work, record.MISSING, mode)


@_stage_task("advise machines")
def advise_machines() -> Any:
    """Compute the setting changes for the next shift."""

    def work(run: RunContext) -> None:
        stages.advise_machines(run.workspace, run.need_fits(), run.reporter, run.executor)

    return perform("advise machines", work, record.ADVISE)


@_stage_task("compute guide")
def compute_guide() -> Any:
    """Compute the setting guide and the what-if table."""

    def work(run: RunContext) -> list[Path]:
        stages.compute_guide(run.workspace, run.need_fits(), run.reporter, run.executor)
        return [p for p in (run.workspace.what_if,) if p.exists()]

    return perform("compute guide", work, record.GUIDE)


@_stage_task("write shift page", retries=IO_RETRIES)
def write_shift_page(variant: str) -> Any:
    """Write the shift page; `variant` names its formats besides HTML."""

    def work(run: RunContext) -> list[Path]:
        formats = OutputFormats(pdf=record.attaches_pdf(run.workspace.season))
        return pages.publish_shift_page(run.workspace, run.reporter, formats)

    return perform("write shift page", work, record.SHIFT_PAGE, variant)


def _write_page(kind: str, name: str, formats: OutputFormats) -> Any:
    def work(run: RunContext) -> list[Path]:
        written: list[Path] = getattr(pages, f"publish_{kind}")(run.workspace, run.reporter, formats)
        return written

    variant = f"{kind} {record.page_variant(pdf=formats.pdf, xlsx=formats.xlsx)}".strip()
    return perform(name, work, record.PAGES, variant)


@_stage_task("write season report", retries=IO_RETRIES)
def write_season_report() -> Any:
    """Write the season report, also as PDF and workbook."""
    return _write_page("season_report", "write season report", ALL_FORMATS)


@_stage_task("write guide", retries=IO_RETRIES)
def write_guide() -> Any:
    """Write the setting guide, also as PDF and workbook."""
    return _write_page("guide", "write guide", ALL_FORMATS)


@_stage_task("write fleet page", retries=IO_RETRIES)
def write_fleet_page(*, is_printed: bool) -> Any:
    """Write the fleet page; if `is_printed`, also as PDF and workbook."""
    return _write_page("fleet_page", "write fleet page", ALL_FORMATS if is_printed else HTML)


@_stage_task("write page on advice followed", retries=IO_RETRIES)
def write_followed_page() -> Any:
    """Write the page on the advice followed, also as PDF and workbook."""
    return _write_page("followed_page", "write page on advice followed", ALL_FORMATS)


@_stage_task("write grower sheets", retries=IO_RETRIES)
def write_grower_sheets(*, is_printed: bool) -> Any:
    """Write the sheets of growers; if `is_printed`, also as PDF and workbook."""
    return _write_page("grower_sheets", "write grower sheets", ALL_FORMATS if is_printed else HTML)


@_stage_task("delete expired records", retries=IO_RETRIES)
def delete_expired_records() -> Any:
    """Delete records older than season.toml allows."""
    return perform("delete expired records", lambda run: stages.delete_expired_records(run.workspace, run.reporter))


@_stage_task("deliver pages", retries=IO_RETRIES)
def deliver_pages() -> Any:
    """Write the index of pages and publish them."""

    def work(run: RunContext) -> None:
        run.published = deliver(run.workspace, run.reporter)

    return perform("deliver pages", work)
