"""Printable sheets that an operator follows in a split-run trial: an A4 page per day, or several for many loads."""

from dataclasses import dataclass
from pathlib import Path

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say, use_language
from reports.page.html import render
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.trial.plan import Trial

MAX_LINES = 14
"""Loads on one sheet: with lines of 10 mm, heading, instructions and cautions they fit one A4 page."""
LOADS_PER_PAIR = 2


@dataclass(frozen=True)
class Sheet:
    """Part of a trial on one page.

    Attributes:
        day: number of the day, from 1.
        first: position of its first load in the trial's order, from 0.
        loads: number of its loads.
        part: number of the sheet within its day, from 1.
        parts: number of sheets of its day.
    """

    day: int
    first: int
    loads: int
    part: int
    parts: int


def _even_parts(pairs: int, parts: int) -> list[int]:
    """Return a number of pairs divided into parts that differ by at most one, larger parts first.

    >>> _even_parts(8, 3)
    [3, 3, 2]
    """
    return [pairs // parts + (i < pairs % parts) for i in range(parts)]


def trial_sheets(loads: int, days: int) -> list[Sheet]:
    """Return the sheets of a trial; a pair of loads is never divided between days or sheets.

    Args:
        loads: number of loads, an even number.
        days: number of days that the trial takes.
    """
    sheets: list[Sheet] = []
    first = 0
    pairs = loads // LOADS_PER_PAIR
    for day, of_day in enumerate(_even_parts(pairs, min(days, pairs)), start=1):
        parts = -(-of_day * LOADS_PER_PAIR // MAX_LINES)
        for part, of_sheet in enumerate(_even_parts(of_day, parts), start=1):
            sheets.append(Sheet(day, first, of_sheet * LOADS_PER_PAIR, part, parts))
            first += of_sheet * LOADS_PER_PAIR
    return sheets


def _heading(sheet: Sheet, trial: Trial, days: int) -> str:
    """Return the heading of a sheet: the trial, and the day and sheet if there are several."""
    parts = [say("Trial {name}", name=trial.trial_id)]
    if days > 1:
        parts.append(say("day {day} of {days}", day=sheet.day, days=days))
    if sheet.parts > 1:
        parts.append(say("sheet {part} of {parts}", part=sheet.part, parts=sheet.parts))
    return ", ".join(parts)


def write_trial_sheet(trial: Trial, days: int, season: Season, out: Path) -> Path:
    """Write the sheets of a trial as one file and return its path.

    Args:
        trial: the trial.
        days: number of days that the machine needs for its loads.
        season: the season.
        out: folder of pages.
    """
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    setting = season.catalogue[trial.setting]
    sheets = trial_sheets(len(trial.order), days)
    last_day = sheets[-1].day
    with use_language(season.locale, season.texts):
        values = {arm: setting_value(v, setting, shown) for arm, v in zip("AB", trial.values, strict=True)}
        pages = [
            {
                "heading": _heading(sheet, trial, last_day),
                "day": shown.day(trial.shift_date) if sheet.day == 1 else "",
                "lines": [
                    {"load": i + 1, "arm": trial.order[i], "value": values[trial.order[i]]}
                    for i in range(sheet.first, sheet.first + sheet.loads)
                ],
            }
            for sheet in sheets
        ]
        return render(
            "trial.html.j2",
            out / f"trial-{safe_name(trial.trial_id)}.html",
            trial=trial,
            values=values,
            pages=pages,
            label=capital(setting_label(trial.setting, season.catalogue)),
            caution=say(CAUTION),
        )
