"""Printable sheet that the workshop follows in a trial of fitted parts: the part of each day, machine by machine."""

from pathlib import Path

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital
from reports.language.part_labels import part_label, place_label
from reports.language.translate import say, translated, use_language
from reports.page.html import render
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.trial.part_plan import PartTrial


def write_part_trial_sheet(trial: PartTrial, season: Season, out: Path) -> Path:
    """Write the sheet of a trial of fitted parts and return its path; each machine begins a page.

    Args:
        trial: the trial.
        season: the season.
        out: folder of pages.
    """
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    with use_language(season.locale, season.texts):
        parts = {arm: part_label(part) for arm, part in zip("AB", trial.parts, strict=True)}
        topsoil = trial.wetness_class
        days = say("days with {topsoil} topsoil", topsoil=translated(topsoil)) if topsoil else say("all days")
        return render(
            "part_trial.html.j2",
            out / f"trial-{safe_name(trial.trial_id)}.html",
            trial=trial,
            parts=parts,
            orders=[(machine, list(enumerate(order, start=1))) for machine, order in trial.orders.items()],
            label=capital(place_label(trial.place)),
            days=days,
            first=shown.day(trial.shift_date),
            caution=say(CAUTION),
        )
