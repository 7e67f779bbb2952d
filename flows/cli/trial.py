"""Verbs of split-run trials: plan and read."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from flows.cli.output import print_line
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Workspace

HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]

trial_app = typer.Typer(
    no_args_is_help=True, help="Split-run trials: for a question that the season's loads cannot settle."
)


@trial_app.command(name="plan")
def trial_plan(
    folder: Folder = HERE,
    setting: Annotated[
        str | None, typer.Option(help="The setting to try; else the best one advice calls a trial.")
    ] = None,
    machine: Annotated[str | None, typer.Option(help="The machine; else the one of that advice.")] = None,
    field: Annotated[str | None, typer.Option(help="The field; else where the machine works now.")] = None,
    to: Annotated[float | None, typer.Option(help="Value to try, in the setting's stored unit.")] = None,
    day: Annotated[str | None, typer.Option(help="YYYY-MM-DD; else the day after the last shift.")] = None,
    detect_pct: Annotated[float | None, typer.Option(min=0.5, max=80, help="Change of dirt to find, percent.")] = None,
    power: Annotated[float, typer.Option(min=0.5, max=0.99, help="Chance to find it.")] = 0.8,
    json_wanted: Json = False,
) -> None:
    """Design a trial: alternate loads, order drawn by lot, as many as this lab's and this fleet's noise calls for.

    Writes trials/NAME.toml, to be completed with weigh tickets, and a sheet the operator follows.
    """
    from flows import stages
    from flows.cli.decision_tables import basis_of
    from transforms.storage.product_basis import ADVICE

    asked = stages.TrialAsked(setting, machine, field, to, day, detect_pct, power)
    trial, path, sheet, day_says = stages.plan_trial(Workspace(folder), asked)
    label = Workspace(folder).season.catalogue[trial.setting].label
    question = (
        f"{label} {trial.values[0]:g} against {trial.values[1]:g} on {trial.machine_id} in {trial.field_id}, "
        f"{trial.shift_date}: {len(trial.order)} loads find a change of {trial.detect_pct:.0f} % with a chance of "
        f"{100 * trial.power:.0f} in 100."
    )
    outcome = {"trial": trial.trial_id, "loads": len(trial.order), "file": path.resolve(), "sheet": sheet.resolve()}
    outcome["advice_basis_code"], earlier = basis_of(Workspace(folder), ADVICE)
    _said(
        json_wanted,
        outcome,
        [
            *(earlier if setting is None or machine is None else ()),
            question,
            day_says,
            f"Sheet for the operator: {sheet.resolve()}",
            f"Afterwards: weigh tickets into {path}, then taretrace trial read {trial.trial_id} {folder}",
            CAUTION,
        ],
    )


@trial_app.command(name="read")
def trial_read(
    trial_id: Annotated[str, typer.Argument(help="The trial's name.")],
    folder: Folder = HERE,
    json_wanted: Json = False,
) -> None:
    """Find a trial's loads and report the difference by randomisation inference.

    The next fit takes its loads as especially clean evidence: each pair by itself, the setting as planned.
    """
    from flows import stages

    trial, result, loads = stages.read_trial_loads(Workspace(folder), trial_id)
    found = f"{result.pairs} pairs of {len(trial.order) // 2} are measured."
    if result.effect_pct is not None:
        found += (
            f" B against A: dirt {result.effect_pct:+.1f} % ({result.lo95:+.1f} to {result.hi95:+.1f}, 95 %), "
            f"p = {result.p_value:.3f}."
        )
    strayed = f"{result.strayed} loads were run nearer to the other value than to their own." if result.strayed else ""
    outcome = {"trial": trial.trial_id, **result.__dict__, "loads": loads.to_dicts()}
    _said(json_wanted, outcome, [line for line in (found, f"It says: {result.says}.", strayed) if line])


def _said(json_wanted: bool, outcome: dict[str, Any], lines: list[str]) -> None:
    if json_wanted:
        typer.echo(json.dumps(outcome, default=str))
        return
    console = Console()
    for line in lines:
        print_line(console, line)
