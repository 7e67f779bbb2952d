"""Commands for split-run trials: plan, read."""

from typing import Annotated

import typer

from flows.cli.delivery import report_publication
from flows.cli.options import HERE, Folder, Json
from flows.cli.output import finish
from flows.runtime.progress import Reporter
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace
from transforms.storage.lock import lock_workspace

trial_app = typer.Typer(
    no_args_is_help=True, help="Plan and analyse split-run trials for questions that the season's loads cannot settle."
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
    from flows.cli.stored_columns import display_units
    from flows.stages.delivery import deliver_pages
    from reports.language.labels import capital, format_setting_value
    from transforms.storage.product_basis import ADVICE

    request = stages.TrialAsked(setting, machine, field, to, day, detect_pct)
    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    _ = workspace.season
    with lock_workspace(folder, "trial plan"):
        planned = stages.plan_trial(workspace, request)
        report_publication(deliver_pages(workspace, reporter), reporter)
    trial, path, sheet = planned.trial, planned.file.resolve(), planned.sheet.resolve()
    season = Workspace(folder).season
    setting_tested = season.catalogue[trial.setting]
    old, new = (format_setting_value(v, setting_tested.unit, display_units(season)) for v in trial.values)
    question = (
        f"{capital(setting_tested.label)} {old} against {new} on {trial.machine_id} in {trial.field_id}, "
        f"{trial.shift_date}: {len(trial.order)} loads detect a change of {trial.detect_pct:.0f} % with a probability "
        f"of {100 * trial.power:.0f} %."
    )
    outcome = {"trial": trial.trial_id, "loads": len(trial.order), "file": path, "sheet": sheet}
    outcome["advice_basis_code"], earlier = basis_of(Workspace(folder), ADVICE)
    finish(
        as_json,
        outcome,
        [
            *(earlier if setting is None or machine is None else ()),
            question,
            planned.duration,
            f"Sheet for the operator: {sheet}",
            f"After the trial: add weigh tickets to {planned.file}; taretrace trial read {trial.trial_id} {folder}",
            CAUTION,
        ],
    )


@trial_app.command(name="read")
def trial_read(
    trial_id: Annotated[str, typer.Argument(help="Name of the trial.")],
    folder: Folder = HERE,
    as_json: Json = False,
) -> None:
    """Find the loads of a trial and report the difference between its settings by randomisation inference.

    The next fit uses these loads as especially clean evidence: each pair on its own, with the planned settings.
    """
    from flows import stages
    from reports.language.reason_text import format_reason

    analysed = stages.read_trial_loads(Workspace(folder), trial_id)
    trial, result = analysed.trial, analysed.result
    found = f"{result.pairs} of {len(trial.order) // 2} pairs are measured."
    if result.effect_pct is not None:
        found += (
            f" B against A: dirt {result.effect_pct:+.1f} % ({result.lo95:+.1f} to {result.hi95:+.1f}, 95 %), "
            f"p = {result.p_value:.3f}."
        )
    strayed = f"{result.strayed} loads ran closer to the other value than to their own." if result.strayed else ""
    message = format_reason(result.reason, Workspace(folder).season.catalogue)
    outcome = {"trial": trial.trial_id, **result.columns, "reason": message, "loads": analysed.loads.to_dicts()}
    finish(as_json, outcome, [line for line in (found, f"Result: {message}.", strayed) if line])
