"""Commands for split-run trials: plan, read."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from flows.cli.delivery import report_publication
from flows.cli.help import CommandLine
from flows.cli.options import HERE, Folder, Json
from flows.cli.output import finish
from flows.runtime.progress import Reporter
from reports.language.display_units import number
from reports.language.translate import say, say_n
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season, Workspace
from transforms.storage.lock import lock_workspace

if TYPE_CHECKING:
    from transforms.trial.plan import Trial

trial_app = CommandLine(help="Plan and analyse split-run trials for questions that the season's loads cannot settle.")


def _trial_question(trial: "Trial", season: Season) -> str:
    """Return a sentence that says what a trial compares, where, and what it detects."""
    from flows.cli.stored_columns import display_units
    from reports.language.labels import capital, setting_label
    from reports.language.precision import setting_value

    shown = display_units(season)
    old, new = (setting_value(v, season.catalogue[trial.setting], shown) for v in trial.values)
    return say_n(
        "{setting} {old} against {new} on {machine} in {field}, {day}: {n} load detects a change of {change} % with a "
        "probability of {power} %.",
        "{setting} {old} against {new} on {machine} in {field}, {day}: {n} loads detect a change of {change} % with a "
        "probability of {power} %.",
        len(trial.order),
        setting=capital(setting_label(trial.setting, season.catalogue)),
        old=old,
        new=new,
        machine=trial.machine_id,
        field=trial.field_id,
        day=shown.day(trial.shift_date),
        change=number(trial.detect_pct, 0),
        power=number(100 * trial.power, 0),
    )


@trial_app.command(name="plan")
def trial_plan(
    folder: Folder = HERE,
    setting: Annotated[
        str | None, typer.Option(help="Choose the setting to test (default: the best trial that the advice suggests).")
    ] = None,
    machine: Annotated[str | None, typer.Option(help="Choose the machine (default: the one in that advice).")] = None,
    field: Annotated[str | None, typer.Option(help="Choose the field (default: where the machine is now).")] = None,
    to: Annotated[float | None, typer.Option(help="Set the value to test, in the setting's stored unit.")] = None,
    day: Annotated[
        str | None, typer.Option(help="Set the date, YYYY-MM-DD (default: the day after the last shift).")
    ] = None,
    detect_pct: Annotated[
        float | None,
        typer.Option(min=0.5, max=80, help="Set the change in dirt to detect, in percent (default: from the advice)."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Plan a trial of alternating loads in random order, sized for the noise of this lab and fleet.

    Writes trials/NAME.toml, where you add the weigh tickets afterwards, and an instruction sheet for the operator.
    """
    from flows import stages
    from flows.cli.decision_tables import basis_of
    from flows.pipeline.delivery import deliver_pages
    from reports.language.labels import capital
    from reports.language.reason_text import format_reason
    from transforms.storage.product_basis import ADVICE

    request = stages.TrialAsked(setting, machine, field, to, day, detect_pct)
    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    _ = workspace.season
    with lock_workspace(folder, "trial plan"):
        planned = stages.plan_trial(workspace, request)
        report_publication(deliver_pages(workspace, reporter), reporter)
    trial, path, sheet = planned.trial, planned.file.resolve(), planned.sheet.resolve()
    season = Workspace(folder).season
    outcome = {"trial": trial.trial_id, "loads": len(trial.order), "file": path, "sheet": sheet}
    outcome["advice_basis_code"], earlier = basis_of(Workspace(folder), ADVICE)
    finish(
        as_json,
        outcome,
        [
            *(earlier if setting is None or machine is None else ()),
            _trial_question(trial, season),
            capital(format_reason(planned.duration)) + ".",
            say("Sheet for the operator: {file}", file=sheet),
            say(
                "After the trial: add weigh tickets to {file}; taretrace trial read {trial} {folder}",
                file=planned.file,
                trial=trial.trial_id,
                folder=folder,
            ),
            say(CAUTION),
        ],
    )


@trial_app.command(name="read")
def trial_read(
    trial_id: Annotated[str, typer.Argument(help="Name of the trial.")],
    folder: Folder = HERE,
    as_json: Json = False,
) -> None:
    """Find the loads of a trial and report the difference between its settings in all that is measured on them.

    It may be called on any day: the evidence for stopping early allows for that, all other figures count at the end.

    The next fit uses these loads as especially clean evidence: each pair on its own, with the planned settings.
    """
    from flows import stages
    from flows.cli.trial_lines import result_lines
    from reports.language.reason_text import reason_text, row_reason
    from reports.sections.trial_results import traced_reason

    analysed = stages.read_trial_loads(Workspace(folder), trial_id)
    catalogue = Workspace(folder).season.catalogue
    rows: list[dict[str, Any]] = [result.columns for result in analysed.results]
    responses = [
        {
            **row,
            "reason": row_reason(row, catalogue),
            "traced_reason": traced_reason(row, catalogue),
            "stop": reason_text(row["stop_code"], None, catalogue) or None,
        }
        for row in rows
    ]
    outcome = {
        "trial": trial_id,
        **responses[0],
        "responses": responses,
        "loads": analysed.loads.to_dicts(),
    }
    finish(as_json, outcome, result_lines(rows, len(analysed.trial.order) // 2, catalogue))
