"""Commands for split-run trials: plan, read."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from flows.cli.completion import complete_machine, complete_setting, complete_trial
from flows.cli.delivery import report_publication
from flows.cli.help import CommandLine
from flows.cli.options import HERE, Folder, Json, Wait
from flows.cli.output import finish
from flows.runtime.progress import Reporter
from reports.language.display_units import number
from reports.language.translate import mark, say, say_n
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season, Workspace
from transforms.errors import WorkspaceError
from transforms.storage.lock import lock_workspace

if TYPE_CHECKING:
    from flows.stages.trials import PlannedTrial
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
        "{setting}: {old} against {new} on {machine} in {field}, {day}: {n} load detects a change of {change} % with a "
        "probability of {power} %.",
        "{setting}: {old} against {new} on {machine} in {field}, {day}: {n} loads detect a change of {change} % with a "
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


Topsoil = Literal["dry", "moist", "wet"]


@dataclass(frozen=True)
class TrialOptions:
    """Options of a trial; None means that advice or data decide."""

    setting: Annotated[
        str | None,
        typer.Option(
            metavar=mark("SETTING"),
            autocompletion=complete_setting,
            help="Choose the setting to test by label, such as depth, or the place of a fitted part, such as "
            "cleaning_elements (default: the best trial that the advice suggests).",
        ),
    ] = None
    machine: Annotated[
        str | None,
        typer.Option(
            metavar=mark("MACHINE"),
            autocompletion=complete_machine,
            help="Choose the machine (default: the one in that advice), or for fitted parts several, joined by commas.",
        ),
    ] = None
    field: Annotated[
        str | None, typer.Option(metavar=mark("FIELD"), help="Choose the field (default: where the machine is now).")
    ] = None
    to: Annotated[
        str | None,
        typer.Option(
            metavar=mark("VALUE"),
            help="Set the value to test, with its unit, such as 8cm or 3.1in, or the part to test.",
        ),
    ] = None
    topsoil: Annotated[
        Topsoil | None,
        typer.Option(help="Run a trial of fitted parts only on days with this topsoil (default: all days)."),
    ] = None
    day: Annotated[
        str | None,
        typer.Option(metavar=mark("DATE"), help="Set the date, YYYY-MM-DD (default: the day after the last shift)."),
    ] = None
    detect_pct: Annotated[
        float | None,
        typer.Option(min=0.5, max=80, help="Set the change in dirt to detect, in percent (default: from the advice)."),
    ] = None


def _plan_setting(workspace: Workspace, asked: TrialOptions) -> "PlannedTrial":
    """Plan a trial of a setting.

    Raises:
        WorkspaceError: an option is of trials of fitted parts only, or the trial cannot be planned.
    """
    from flows import stages
    from flows.cli.tested_setting import tested_setting

    if asked.topsoil is not None:
        raise WorkspaceError(
            "only a trial of fitted parts is limited to a topsoil", where="--topsoil", remedy="leave it out"
        )
    setting, value = tested_setting(asked.setting, asked.to, workspace.season)
    request = stages.TrialAsked(setting, asked.machine, asked.field, value, asked.day, asked.detect_pct)
    return stages.plan_trial(workspace, request)


@trial_app.command(name="plan")
def trial_plan(
    folder: Folder = HERE,
    asked: TrialOptions = TrialOptions(),
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Plan a trial of alternating loads in random order, sized for the noise of this lab and fleet.

    A fitted part is tried in pairs of days instead, because the workshop changes it: one day with each part, by lot.

    Writes trials/NAME.toml, where you add the weigh tickets or dates afterwards, and a sheet for the operator or the
    workshop.
    """
    from flows.cli.decision_tables import basis_of
    from flows.cli.part_trial import part_outcome, plan_part
    from flows.pipeline.delivery import deliver_pages
    from reports.language.labels import capital
    from reports.language.part_labels import find_place
    from reports.language.reason_text import format_reason
    from transforms.storage.product_basis import ADVICE

    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    place = None if asked.setting is None else find_place(asked.setting)
    if place is not None:
        with lock_workspace(folder, "trial plan", wait):
            part_trial = plan_part(workspace, place, asked)
            report_publication(deliver_pages(workspace, reporter), reporter)
        finish(as_json, *part_outcome(part_trial, folder))
        return
    with lock_workspace(folder, "trial plan", wait):
        planned = _plan_setting(workspace, asked)
        report_publication(deliver_pages(workspace, reporter), reporter)
    trial, path, sheet = planned.trial, planned.file.resolve(), planned.sheet.resolve()
    season = Workspace(folder).season
    outcome = {"trial": trial.trial_id, "loads": len(trial.order), "file": path, "sheet": sheet}
    outcome["advice_basis_code"], earlier = basis_of(Workspace(folder), ADVICE)
    finish(
        as_json,
        outcome,
        [
            *(earlier if asked.setting is None or asked.machine is None else ()),
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
    trial_id: Annotated[str, typer.Argument(help="Name of the trial.", autocompletion=complete_trial)],
    folder: Folder = HERE,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Find the loads of a trial and report the difference between its settings in all that is measured on them.

    It may be called on any day: the evidence for stopping early allows for that, all other figures count at the end.

    The next fit uses these loads as especially clean evidence: each pair on its own, with the planned settings. Once a
    trial of fitted parts is over, its effect takes the place of the comparison between days as they came.
    """
    from flows import stages
    from flows.cli.trial_lines import result_lines
    from reports.language.reason_text import reason_text, row_reason
    from reports.sections.trial_results import traced_reason

    analysed = stages.read_trial_loads(Workspace(folder), trial_id, wait_s=wait)
    catalogue = Workspace(folder).season.catalogue
    parts = {"part_a": analysed.parts[0], "part_b": analysed.parts[1]}
    rows: list[dict[str, Any]] = [{**parts, **result.columns} for result in analysed.results]
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
    finish(as_json, outcome, result_lines(rows, analysed.trial.pairs, catalogue))
