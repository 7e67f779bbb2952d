"""Commands that run one stage of the job after a shift: ingest, fit, advise."""

from typing import Annotated

import typer

from flows.cli.ingest_result import count_rows, describe_counts, exit_if_rejected, exit_if_unread, locked_workspace
from flows.cli.join_report import join_lines, join_rows
from flows.cli.options import HERE, Folder, Json, Strict, Wait
from flows.cli.output import finish
from flows.runtime.progress import Reporter
from reports.language.translate import say, say_n
from reports.sections.cautions import CAUTION


def ingest(
    folder: Folder = HERE,
    strict: Strict = False,
    is_dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Write nothing; preview the ingest, as the command check does.")
    ] = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Ingest new files from the inbox, trace loads, and join them with tares and conditions."""
    if is_dry_run:
        from flows.cli import inspection

        inspection.check(folder, strict=strict, as_json=as_json)
        return
    from flows import stages
    from flows.cli.unread_lines import unread_lines, unread_rows
    from flows.runtime.local_pool import helpers
    from transforms.ingest.unread import find_unread

    reporter = Reporter(quiet=as_json)
    with locked_workspace(folder, "ingest", wait) as workspace:
        with helpers(workspace) as executor:
            received = stages.receive_files(workspace, reporter, executor)
            stages.bin_telemetry(workspace, reporter, executor)
            stages.trace_loads(workspace, reporter, executor)
        for stage in (stages.compute_conditions, stages.build_marts, stages.assess_storability):
            stage(workspace, reporter)
        with stages.open_warehouse(workspace) as warehouse:
            unread = find_unread(received, warehouse)
        joins = stages.monitor_joins(workspace)
    counts = count_rows(received)
    stored = say("Stored in {file}. Next: taretrace fit {folder}", file=workspace.warehouse, folder=folder)
    lines = [*join_lines(joins, workspace), describe_counts(counts), *unread_lines(unread, workspace), stored]
    finish(as_json, {"joins": join_rows(joins, workspace), **counts, "unread": unread_rows(unread, workspace)}, lines)
    exit_if_unread(received)
    exit_if_rejected(strict, counts)


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

    with locked_workspace(folder, "fit", wait) as workspace:
        reporter = Reporter(quiet=as_json)
        with helpers(workspace) as executor:
            fits = stages.fit_responses(workspace, reporter, executor)
            stages.check_fits(workspace, fits, reporter, executor)
        stages.keep_fits(workspace, fits)
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


def advise(folder: Folder = HERE, wait: Wait = 0, as_json: Json = False) -> None:
    """Advise at most three setting changes per machine for its next shift.

    The season is fitted first, unless `fit` or `advise` has just fitted the same data.
    """
    from flows import stages
    from flows.runtime.local_pool import helpers

    reporter = Reporter(quiet=as_json)
    with locked_workspace(folder, "advise", wait) as workspace, helpers(workspace) as executor:
        fits = stages.kept_fits(workspace)
        if fits is None:
            fits = stages.fit_responses(workspace, reporter, executor)
            stages.keep_fits(workspace, fits)
        else:
            reporter.line(say("Using the fit of the last command: nothing has changed since."))
        table = stages.advise_machines(workspace, fits, reporter)
    changes = say_n("{n} change", "{n} changes", table.filter(table["verdict"] == "move").height)
    advised = say_n(
        "{changes} for {n} machine. Next: taretrace report shift {folder}",
        "{changes} for {n} machines. Next: taretrace report shift {folder}",
        table["machine_id"].n_unique(),
        changes=changes,
        folder=folder,
    )
    finish(as_json, {"rows": table.to_dicts()}, [advised, say(CAUTION)])


def register_stages(app: typer.Typer) -> None:
    """Add these commands to the program."""
    for command in (ingest, fit, advise):
        app.command()(command)
