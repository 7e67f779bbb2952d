"""Planning of a trial of fitted parts by the command `trial plan`: its options, and the lines that it prints."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows import stages
from flows.cli.stored_columns import display_units
from flows.stages.trials import PlannedPartTrial
from reports.language.display_units import number
from reports.language.labels import capital
from reports.language.part_labels import part_label, place_label
from reports.language.reason_text import format_reason
from reports.language.translate import say, say_n, translated
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season, Workspace
from transforms.errors import WorkspaceError
from transforms.trial.part_plan import PartTrial

if TYPE_CHECKING:
    from flows.cli.trial import TrialOptions


def plan_part(workspace: Workspace, place: str, asked: "TrialOptions") -> PlannedPartTrial:
    """Plan a trial of a fitted part.

    Args:
        workspace: the workspace.
        place: place of the part.
        asked: options of the command.

    Raises:
        WorkspaceError: a field is given, or the trial cannot be planned.
    """
    if asked.field is not None:
        raise WorkspaceError(
            "a trial of fitted parts runs in all fields of its days", where="--field", remedy="leave it out"
        )
    request = stages.PartsAsked(place, asked.to, asked.machine, asked.topsoil, asked.day, asked.detect_pct)
    return stages.plan_part_trial(workspace, request)


def part_outcome(planned: PlannedPartTrial, folder: Path) -> tuple[dict[str, Any], list[str]]:
    """Return the outcome of planning a trial of fitted parts, as JSON and as lines.

    Args:
        planned: the planned trial.
        folder: the workspace.
    """
    trial, season = planned.trial, Workspace(folder).season
    sheet = planned.sheet.resolve()
    outcome = {
        "trial": trial.trial_id,
        "pairs": trial.pairs,
        "days": trial.days,
        "changes": trial.changes,
        "workshop_cost": trial.changes * season.prices.parts_change,
        "file": planned.file.resolve(),
        "sheet": sheet,
    }
    lines = [
        _part_question(trial, season),
        capital(format_reason(planned.size)) + ".",
        say("Sheet for the workshop: {file}", file=sheet),
        say(
            "During the trial: write the dates into {file}; taretrace trial read {trial} {folder}",
            file=planned.file,
            trial=trial.trial_id,
            folder=folder,
        ),
        say(CAUTION),
    ]
    return outcome, lines


def _part_question(trial: PartTrial, season: Season) -> str:
    """Return a sentence that says which parts a trial compares, where, and what it detects."""
    topsoil = trial.wetness_class or say("all")
    return say_n(
        "{place}: {old} against {new} on {machine}, {topsoil} topsoil, from {day} on: {n} pair of days detects a "
        "change of {change} % with a probability of {power} %.",
        "{place}: {old} against {new} on {machine}, {topsoil} topsoil, from {day} on: {n} pairs of days detect a "
        "change of {change} % with a probability of {power} %.",
        trial.pairs,
        place=capital(place_label(trial.place)),
        old=part_label(trial.parts[0]),
        new=part_label(trial.parts[1]),
        machine=", ".join(trial.orders),
        topsoil=translated(topsoil),
        day=display_units(season).day(trial.shift_date),
        change=number(trial.detect_pct, 0),
        power=number(100 * trial.power, 0),
    )
