"""The `taretrace` program: data and fit commands, and the groups of all other commands."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from flows.cli.decisions import register_decisions
from flows.cli.delivery import open_page, report_publication
from flows.cli.endings import call_app, one_sentence
from flows.cli.examples import examples
from flows.cli.help import CommandLine
from flows.cli.ingest import register
from flows.cli.init import init, schema
from flows.cli.join_report import join_lines, join_rows
from flows.cli.maintenance import register_upkeep
from flows.cli.options import HERE, Folder, Json, OpenIndex, Strict, Wait
from flows.cli.output import complain, finish, line_with, strong
from flows.cli.report import report_app
from flows.cli.serve import register_serve
from flows.cli.tables import register_tables
from flows.runtime.prefect_server import Engine
from flows.runtime.progress import PROGRESS, Reporter
from flows.scheduling.schedule import POST_SHIFT
from reports.language.display_units import number
from reports.language.translate import mark, say, say_n, start_in_english
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace
from transforms.storage.lock import lock_workspace
from transforms.storage.run_log import RunLog

app = CommandLine(
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="Trace every factory tare back to the harvesting minutes that produced it, and get advice on what to change "
    "before the next shift.",
    epilog="Start with **taretrace demo**. Exit codes: 0 success; 1 success, but rows were rejected and --strict "
    "was given; 2 wrong call or workspace; 3 internal error; 130 stopped with Ctrl-C.",
)
app.add_typer(report_app, name="report")
app.command()(init)
app.command()(schema)
app.command()(examples)
register(app)
register_decisions(app)
register_serve(app)
register_upkeep(app)
register_tables(app)


@contextmanager
def _locked_workspace(folder: Path, command: str, wait_s: float = 0.0) -> Iterator[Workspace]:
    """Yield a workspace that is locked against other runs."""
    workspace = Workspace(folder)
    _ = workspace.season
    with lock_workspace(folder, command, wait_s):
        yield workspace


def _count_rows(received: list[Any]) -> dict[str, int]:
    keys = ("rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    return {"files": len({r.file for r in received}), **{k: sum(getattr(r, k) for r in received) for k in keys}}


def _describe_counts(counts: dict[str, int]) -> str:
    if not counts["files"]:
        return say("No new files: everything in the inbox was already ingested.")
    rows = say_n(
        "{n} row in = {accepted} accepted + {rejected} rejected + {repeated} repeated",
        "{n} rows in = {accepted} accepted + {rejected} rejected + {repeated} repeated",
        counts["rows_in"],
        **{key: number(counts[f"rows_{key}"], 0) for key in ("accepted", "rejected", "repeated")},
    )
    return say_n("{n} new file: {rows}.", "{n} new files: {rows}.", counts["files"], rows=rows)


def _exit_if_rejected(strict: bool, counts: dict[str, int]) -> None:
    if strict and counts["rows_rejected"]:
        raise typer.Exit(1)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Path of the demo folder; an earlier demo there is replaced.")] = Path(
        "demo-season"
    ),
    machines: Annotated[int, typer.Option(min=2, max=60, help="Set the number of machines.")] = 12,
    days: Annotated[int, typer.Option(min=2, max=60, help="Set the number of campaign days.")] = 30,
    seed: Annotated[int, typer.Option(min=0, help="Set the random seed; the same seed gives the same season.")] = 1,
    hz: Annotated[float, typer.Option(min=0.05, max=2, help="Set the log records per second.")] = 0.1,
    as_json: Json = False,
    open_index: OpenIndex = False,
) -> None:
    """Simulate a season, write it as realistic export files, and run the complete post-shift job on them."""
    from flows.pipeline.demo import clear_demo, write_demo

    reporter = Reporter(quiet=as_json)
    reporter.line(
        say(
            "Simulating {machines} machines over {days} days: exports go to {folder}/inbox, then the post-shift run "
            "ingests them.",
            machines=machines,
            days=days,
            folder=folder,
        )
    )
    clear_demo(folder)
    # The engine starts while the season is simulated.
    with Engine(Workspace(folder).home) as engine:
        workspace = write_demo(folder, machines=machines, days=days, seed=seed, hz=hz, reporter=reporter)
        with _locked_workspace(workspace.root, "demo"):
            _run_post_shift(workspace, reporter, as_json, strict=False, open_index=open_index, engine=engine)


def _run_post_shift(
    workspace: Workspace,
    reporter: Reporter,
    as_json: bool,
    *,
    strict: bool,
    open_index: bool,
    engine: Engine | None = None,
) -> None:
    from flows.cli.unread_lines import unread_lines, unread_rows
    from flows.pipeline import start
    from reports.language.reason_text import format_reason
    from reports.pages.index_data import INDEX
    from transforms.ingest.unread import find_unread
    from transforms.operations.alarms import FAILED_CHECK, failed_checks
    from transforms.operations.join_sources import find_join_findings
    from transforms.storage.warehouse import Warehouse

    log = RunLog(workspace.log)
    reporter.log = lambda **facts: log.write(POST_SHIFT, "stage", **facts)
    began_at = log.clock()
    log.write(POST_SHIFT, "began", due=None)
    done = start.run_post_shift(workspace, reporter, engine)
    received, page = done.received, done.pages[0]
    counts, index = _count_rows(received), workspace.out.resolve() / INDEX
    log.write(POST_SHIFT, "ended", due=None, began_at=began_at.isoformat(), **counts)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        failures, unread = failed_checks(warehouse), find_unread(received, warehouse)
        joins = find_join_findings(warehouse, workspace)
    warnings = [format_reason(a.why, workspace.season.catalogue) for a in failures]
    finish(
        as_json,
        {
            "joins": join_rows(joins, workspace),
            **counts,
            "shift_page": page.resolve(),
            "index": index,
            FAILED_CHECK: [a.subject for a in failures],
            "unread": unread_rows(unread, workspace),
        },
        [
            *join_lines(joins, workspace),
            _describe_counts(counts),
            *unread_lines(unread, workspace),
            *(say("Warning: {warning}", warning=warning) for warning in warnings),
            line_with(mark("Shift page: {page}"), page=strong(page.resolve())),
            say("All pages: {page}", page=index),
            say(
                "More pages: taretrace report season {folder} · report fleet · report grower · report guide",
                folder=workspace.root,
            ),
            say("Tables: taretrace status {folder} · taretrace export {folder}", folder=workspace.root),
        ],
    )
    report_publication(done.published, reporter)
    if open_index:
        open_page(index)
    _exit_if_unread(received)
    _exit_if_rejected(strict, counts)


def _exit_if_unread(received: list[Any]) -> None:
    """Report files that an internal error left unread, and exit with code 3."""
    if unread := [r.file for r in received if r.failed]:
        complain(
            say_n(
                "an internal error with {n} file ({files}); all others were ingested, this one stays in the inbox for "
                "the next run; please report the error",
                "an internal error with {n} files ({files}); all others were ingested, these stay in the inbox for "
                "the next run; please report the error",
                len(unread),
                files=", ".join(unread[:3]),
            )
        )
        raise typer.Exit(3)


@app.command(name="post-shift")
def post_shift_command(
    folder: Folder = HERE, strict: Strict = False, wait: Wait = 0, as_json: Json = False, open_index: OpenIndex = False
) -> None:
    """Run the complete job after a shift: ingest new files, fit, advise and write the shift page."""
    with _locked_workspace(folder, "post-shift", wait) as workspace:
        _run_post_shift(workspace, Reporter(quiet=as_json), as_json, strict=strict, open_index=open_index)


@app.command()
def ingest(folder: Folder = HERE, strict: Strict = False, wait: Wait = 0, as_json: Json = False) -> None:
    """Ingest new files from the inbox, trace loads, and join them with tares and conditions."""
    from flows import stages
    from flows.cli.unread_lines import unread_lines, unread_rows
    from flows.runtime.local_pool import helpers
    from transforms.ingest.unread import find_unread

    reporter = Reporter(quiet=as_json)
    with _locked_workspace(folder, "ingest", wait) as workspace:
        with helpers(workspace) as executor:
            received = stages.receive_files(workspace, reporter, executor)
            stages.bin_telemetry(workspace, reporter, executor)
            stages.trace_loads(workspace, reporter, executor)
        for stage in (stages.compute_conditions, stages.build_marts, stages.assess_storability):
            stage(workspace, reporter)
        with stages.open_warehouse(workspace) as warehouse:
            unread = find_unread(received, warehouse)
        joins = stages.monitor_joins(workspace)
    counts = _count_rows(received)
    stored = say("Stored in {file}. Next: taretrace fit {folder}", file=workspace.warehouse, folder=folder)
    lines = [*join_lines(joins, workspace), _describe_counts(counts), *unread_lines(unread, workspace), stored]
    finish(as_json, {"joins": join_rows(joins, workspace), **counts, "unread": unread_rows(unread, workspace)}, lines)
    _exit_if_unread(received)
    _exit_if_rejected(strict, counts)


@app.command()
def fit(folder: Folder = HERE, wait: Wait = 0, as_json: Json = False) -> None:
    """Estimate which settings drive dirt, root loss and tops, and print the result in plain sentences.

    Effects are within visits: the change when the same machine, on the same day in the same field, moves a setting by
    one practical step. Every fit is checked (placebo, left-out fields and weeks, influence, tails). Settings that were
    not varied or have too few loads are reported as such, not estimated.
    """
    from flows import stages
    from flows.runtime.local_pool import helpers
    from reports.fit_summary import fit_lines
    from reports.fit_summary_data import fit_facts

    with _locked_workspace(folder, "fit", wait) as workspace:
        reporter = Reporter(quiet=as_json)
        with helpers(workspace) as executor:
            stages.check_fits(workspace, stages.fit_responses(workspace, reporter, executor), reporter, executor)
        with stages.open_warehouse(workspace) as warehouse:
            facts = fit_facts(warehouse, workspace.season.catalogue)
    finish(
        as_json,
        facts,
        [
            *fit_lines(facts, workspace.season),
            say(CAUTION),
            say(
                "All effects, curves and checks: taretrace export {folder}. Next: taretrace advise {folder}",
                folder=folder,
            ),
        ],
    )


@app.command()
def advise(folder: Folder = HERE, wait: Wait = 0, as_json: Json = False) -> None:
    """Fit the season and advise at most three setting changes per machine for its next shift."""
    from flows import stages
    from flows.runtime.local_pool import helpers

    reporter = Reporter(quiet=as_json)
    with _locked_workspace(folder, "advise", wait) as workspace, helpers(workspace) as executor:
        table = stages.advise_machines(workspace, stages.fit_responses(workspace, reporter, executor), reporter)
    changes = say_n("{n} change", "{n} changes", table.filter(table["verdict"] == "move").height)
    advised = say_n(
        "{changes} for {n} machine. Next: taretrace report shift {folder}",
        "{changes} for {n} machines. Next: taretrace report shift {folder}",
        table["machine_id"].n_unique(),
        changes=changes,
        folder=folder,
    )
    finish(as_json, {"rows": table.to_dicts()}, [advised, say(CAUTION)])


def main() -> None:
    """Run the program."""
    os.umask(0o077)  # files contain growers' data: only this user may read them
    PROGRESS.stages.clear()
    with start_in_english(), one_sentence():
        call_app(app)
