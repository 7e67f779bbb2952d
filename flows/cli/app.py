"""The `taretrace` program."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from flows.cli.decisions import register_decisions
from flows.cli.endings import call_app, one_sentence
from flows.cli.ingest import register
from flows.cli.maintenance import register_upkeep
from flows.cli.output import complain, finish, line_of, strong
from flows.cli.report import report_app
from flows.cli.serve import register_serve
from flows.cli.tables import register_tables
from flows.runtime.prefect_server import Engine
from flows.runtime.progress import COURSE, Reporter
from flows.scheduling.schedule import POST_SHIFT, WHOLE
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lock import held
from transforms.storage.run_log import RunLog

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    help="Traces every factory tare back to the minutes of harvesting that produced it, "
    "and says what to change before the next shift.",
    epilog="Start with [bold]taretrace demo[/]. Exit codes: 0 done; 1 done, but rows were rejected and --strict was "
    "given; "
    "2 the call or the workspace is wrong; 3 an internal error; 130 stopped with Ctrl-C.",
)
app.add_typer(report_app, name="report")
register(app)
register_decisions(app)
register_serve(app)
register_upkeep(app)
register_tables(app)

Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with 1 if any row was rejected.")]
Wait = Annotated[float, typer.Option(min=0, help="Seconds to wait while another run holds the workspace.")]
HERE = Path()


@contextmanager
def _holding(folder: Path, verb: str, wait_s: float = 0.0) -> Iterator[Workspace]:
    """A workspace that no other run touches meanwhile."""
    workspace = Workspace(folder)
    _ = workspace.season
    with held(folder, verb, wait_s):
        yield workspace


def _rows(received: list[Any]) -> dict[str, int]:
    keys = ("rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    return {"files": len(received), **{k: sum(getattr(r, k) for r in received) for k in keys}}


def _rows_line(counts: dict[str, int]) -> str:
    if not counts["files"]:
        return "No new files: everything in the inbox was taken before."
    return (
        f"{counts['files']} new files: {counts['rows_in']:,} rows in = {counts['rows_accepted']:,} accepted + "
        f"{counts['rows_rejected']:,} rejected + {counts['rows_repeated']:,} repeated."
    )


def _strictly(strict: bool, counts: dict[str, int]) -> None:
    if strict and counts["rows_rejected"]:
        raise typer.Exit(1)


@app.command()
def init(folder: Folder = HERE, json_wanted: Json = False) -> None:
    """Make a workspace: a commented season.toml and the folders files go into."""
    init_workspace(folder)
    finish(
        json_wanted,
        {"workspace": folder},
        [
            f"Workspace ready in {folder.resolve()}",
            "Next: your factories and prices into season.toml, a mapping per export into mappings/, files into inbox/,",
            line_of("then run ", strong(f"taretrace post-shift {folder}"), "."),
        ],
    )


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the demo; made anew if it was a demo before.")] = Path(
        "demo-season"
    ),
    machines: Annotated[int, typer.Option(min=2, max=60, help="Size of the fleet.")] = 12,
    days: Annotated[int, typer.Option(min=2, max=60, help="Days of campaign.")] = 30,
    seed: Annotated[int, typer.Option(min=0, help="The same seed gives the same season.")] = 1,
    hz: Annotated[float, typer.Option(min=0.05, max=2, help="Log records per second.")] = 0.1,
    json_wanted: Json = False,
) -> None:
    """Invent a season, write it as messy export files, and run the whole post-shift job on them as a customer would."""
    from flows.pipeline.demo import clear_demo, write_demo

    reporter = Reporter(quiet=json_wanted)
    reporter.say(
        f"An invented season of {machines} machines over {days} days: exports into {folder}/inbox, "
        "then the post-shift run on them."
    )
    clear_demo(folder)
    with Engine(Workspace(folder).home) as engine:
        workspace = write_demo(folder, machines=machines, days=days, seed=seed, hz=hz, reporter=reporter)
        with _holding(workspace.root, "demo"):
            _run_post_shift(workspace, reporter, engine, json_wanted, strict=False)


def _run_post_shift(
    workspace: Workspace, reporter: Reporter, engine: Engine, json_wanted: bool, *, strict: bool
) -> None:
    with reporter.stage("Starting the flow engine"):
        from flows.pipeline.jobs import run_job
        from transforms.operations.alarms import FAILED_CHECK, failed_checks
        from transforms.storage.warehouse import Warehouse

        engine.ready()
    log = RunLog(workspace.log)
    reporter.log = lambda **facts: log.write(POST_SHIFT, "stage", **facts)
    began = log.clock()
    log.write(POST_SHIFT, "began", due=None)
    done = run_job(WHOLE, workspace, reporter)
    received, page = done.received, done.pages[0]
    counts = _rows(received)
    log.write(POST_SHIFT, "ended", due=None, began_at=began.isoformat(), **counts)
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        doubts = failed_checks(warehouse)
    finish(
        json_wanted,
        {**counts, "shift_page": page.resolve(), FAILED_CHECK: [a.subject for a in doubts]},
        [
            _rows_line(counts),
            *(f"Warning: {a.says}" for a in doubts),
            line_of("Shift page: ", strong(page.resolve())),
            f"More pages: taretrace report season {workspace.root} · report fleet · report grower · report guide",
            f"Everything else: taretrace status {workspace.root} · taretrace export {workspace.root}",
        ],
    )
    _failed(received)
    _strictly(strict, counts)


def _failed(received: list[Any]) -> None:
    """Say that files wait because of a fault of ours; the exit code says so too."""
    if waiting := [r.file for r in received if r.failed]:
        complain(
            f"a fault of ours with {len(waiting)} files ({', '.join(waiting[:3])}); all others were taken "
            "in, these stay in the inbox for the next run; report it"
        )
        raise typer.Exit(3)


@app.command(name="post-shift")
def post_shift_command(
    folder: Folder = HERE, strict: Strict = False, wait: Wait = 0, json_wanted: Json = False
) -> None:
    """The whole job after a shift: new files in, shift page out."""
    with _holding(folder, "post-shift", wait) as workspace, Engine(workspace.home) as engine:
        _run_post_shift(workspace, Reporter(quiet=json_wanted), engine, json_wanted, strict=strict)


@app.command()
def ingest(folder: Folder = HERE, strict: Strict = False, wait: Wait = 0, json_wanted: Json = False) -> None:
    """Take in new files of the inbox, trace loads and join them to tares and conditions."""
    from flows import stages
    from flows.runtime.local_pool import helpers

    reporter = Reporter(quiet=json_wanted)
    with _holding(folder, "ingest", wait) as workspace:
        with helpers(workspace) as spread:
            received = stages.receive_files(workspace, reporter, spread)
            stages.bin_telemetry(workspace, reporter, spread)
            stages.trace(workspace, reporter, spread)
        for stage in (stages.conditions, stages.marts, stages.keep):
            stage(workspace, reporter)
    counts = _rows(received)
    finish(json_wanted, counts, [_rows_line(counts), f"Stored in {workspace.warehouse}. Next: taretrace fit {folder}"])
    _failed(received)
    _strictly(strict, counts)


@app.command()
def fit(folder: Folder = HERE, wait: Wait = 0, json_wanted: Json = False) -> None:
    """Fit which settings drive dirt, root loss and tops, and say it in plain lines.

    Effects are within visits: what happens when the same machine, on the same day in the same field, moves a setting by
    one practical step. Every fit is checked (placebo, fields and weeks left out, influence, tails); what was not tried
    or has too few loads is said, not guessed.
    """
    from flows import stages
    from flows.runtime.local_pool import helpers
    from reports.fit_summary import fit_facts, fit_lines

    with _holding(folder, "fit", wait) as workspace:
        reporter = Reporter(quiet=json_wanted)
        with helpers(workspace) as spread:
            stages.check_fits(workspace, stages.fit(workspace, reporter, spread), reporter, spread)
        with stages.open_warehouse(workspace) as warehouse:
            facts = fit_facts(warehouse)
    finish(
        json_wanted,
        facts,
        [
            *fit_lines(facts, workspace.season),
            CAUTION,
            f"Every effect, curve, share and check: taretrace export {folder}. Next: taretrace advise {folder}",
        ],
    )


@app.command()
def advise(folder: Folder = HERE, wait: Wait = 0, json_wanted: Json = False) -> None:
    """Fit, and say at most three moves a machine for its next shift."""
    from flows import stages
    from flows.runtime.local_pool import helpers

    reporter = Reporter(quiet=json_wanted)
    with _holding(folder, "advise", wait) as workspace, helpers(workspace) as spread:
        table = stages.advise(workspace, stages.fit(workspace, reporter, spread), reporter)
    moves = table.filter(table["verdict"] == "move").height
    finish(
        json_wanted,
        {"rows": table.to_dicts()},
        [
            f"{moves} moves for {table['machine_id'].n_unique()} machines. Next: taretrace report shift {folder}",
            CAUTION,
        ],
    )


def main() -> None:
    """Run the program. What it writes is for this user alone: it tells of growers."""
    os.umask(0o077)
    COURSE.stages.clear()
    with one_sentence():
        call_app(app)
