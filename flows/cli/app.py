"""The `taretrace` program: the commands demo and post-shift, and the registration of all others."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.call_options import new_folder, set_colour
from flows.cli.decisions import register_decisions
from flows.cli.delivery import open_page, report_publication
from flows.cli.endings import call_app, one_sentence
from flows.cli.examples import examples
from flows.cli.help import CommandLine
from flows.cli.ingest import register
from flows.cli.ingest_result import count_rows, describe_counts, exit_if_rejected, exit_if_unread, locked_workspace
from flows.cli.init import init, schema
from flows.cli.join_report import join_lines, join_rows
from flows.cli.maintenance import register_upkeep
from flows.cli.options import HERE, Folder, Json, OpenIndex, Strict, Wait
from flows.cli.output import finish, line_with, strong
from flows.cli.renamed import register_renamed
from flows.cli.report import report_app
from flows.cli.serve import register_serve
from flows.cli.single_stages import register_stages
from flows.cli.tables import register_tables
from flows.cli.translate import register_translate
from flows.runtime.prefect_server import Engine
from flows.runtime.progress import PROGRESS, Reporter
from flows.runtime.verbosity import VERBOSITY
from flows.scheduling.schedule import POST_SHIFT
from reports.language.translate import mark, say, start_in_english
from transforms.config.workspace import Workspace
from transforms.storage.run_log import RunLog

app = CommandLine(
    is_program=True,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help="Trace every factory tare back to the harvesting minutes that produced it, and get advice on what to change "
    "before the next shift.\n\n"
    "To see it work, start with **taretrace demo**; for your own data, with **taretrace init**.",
    epilog="Exit codes: 0 success; 1 success, but rows were rejected and --strict "
    "was given; 2 wrong call or workspace; 3 internal error; 130 stopped with Ctrl-C.",
)
app.add_typer(report_app, name="report")
app.command()(init)
app.command()(schema)
app.command()(examples)
register(app)
register_decisions(app)
register_serve(app)
register_stages(app)
register_upkeep(app)
register_tables(app)
register_translate(app)
register_renamed()


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Argument(help="Path of the demo folder; an earlier demo there is replaced.", callback=new_folder)
    ] = Path("demo-season"),
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
        with locked_workspace(workspace.root, "demo"):
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
    counts, index = count_rows(received), workspace.out.resolve() / INDEX
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
            describe_counts(counts),
            *unread_lines(unread, workspace),
            *(say("Warning: {warning}", warning=warning) for warning in warnings),
            line_with(mark("Shift page: {page}"), page=strong(page.resolve())),
            say("All pages: {page}", page=index),
            say(
                "More pages: taretrace report season {folder} · report grower · report guide · benchmark --page",
                folder=workspace.root,
            ),
            say("Tables: taretrace status {folder} · taretrace export {folder}", folder=workspace.root),
        ],
    )
    report_publication(done.published, reporter)
    if open_index:
        open_page(index)
    exit_if_unread(received)
    exit_if_rejected(strict, counts)


@app.command(name="post-shift")
def post_shift_command(
    folder: Folder = HERE, strict: Strict = False, wait: Wait = 0, as_json: Json = False, open_index: OpenIndex = False
) -> None:
    """Run the complete job after a shift: ingest new files, fit, advise and write the shift page."""
    with locked_workspace(folder, "post-shift", wait) as workspace:
        _run_post_shift(workspace, Reporter(quiet=as_json), as_json, strict=strict, open_index=open_index)


def main() -> None:
    """Run the program."""
    os.umask(0o077)  # files contain growers' data: only this user may read them
    PROGRESS.stages.clear()
    VERBOSITY.reset()
    set_colour(sys.argv[1:])
    with start_in_english(), one_sentence():
        call_app(app)
