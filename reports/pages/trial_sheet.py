"""Printable sheets that an operator follows in a split-run trial: one sheet of A4 per day, on both sides if need be."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say, use_language
from reports.page.html import render
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season
from transforms.contracts.naming import safe_name
from transforms.trial.plan import Trial

LINES_IN_ONE_COLUMN = 14
"""Loads up to which a side has one column with more room to write; more loads have two columns."""
LINES_ON_FRONT, LINES_ON_BACK = 40, 44
"""Loads on a side in two columns: with lines of 10 mm and all above them they fit A4; the back has no instructions."""
LOADS_PER_PAIR = 2


@dataclass(frozen=True)
class Side:
    """One side of a sheet.

    Attributes:
        number: number of the side within its sheet, from 1.
        first: position of its first load in the trial's order, from 0.
        loads: number of its loads.
    """

    number: int
    first: int
    loads: int

    @property
    def columns(self) -> tuple[range, ...]:
        """Positions of the loads in each column; a pair is never divided between columns."""
        end = self.first + self.loads
        if self.loads <= LINES_IN_ONE_COLUMN:
            return (range(self.first, end),)
        pairs = self.loads // LOADS_PER_PAIR
        middle = self.first + LOADS_PER_PAIR * (pairs - pairs // 2)
        return range(self.first, middle), range(middle, end)


@dataclass(frozen=True)
class Sheet:
    """Sheet of one day: number of the day, from 1, and its sides; more than two sides take another sheet of paper."""

    day: int
    sides: tuple[Side, ...]


def _even_parts(pairs: int, parts: int) -> list[int]:
    """Return a number of pairs divided into parts that differ by at most one, larger parts first.

    >>> _even_parts(8, 3)
    [3, 3, 2]
    """
    return [pairs // parts + (i < pairs % parts) for i in range(parts)]


def _sides(first: int, loads: int) -> Iterator[Side]:
    """Yield the sides that hold the loads of a day; `first` is the position of its first load."""
    number, left = 1, loads
    while left:
        own = min(left, LINES_ON_FRONT if number == 1 else LINES_ON_BACK)
        yield Side(number, first + loads - left, own)
        number, left = number + 1, left - own


def trial_sheets(loads: int, days: int) -> list[Sheet]:
    """Return the sheets of a trial, one per day; a pair of loads is never divided between days or sides.

    Args:
        loads: number of loads, an even number.
        days: number of days that the trial takes.
    """
    sheets: list[Sheet] = []
    first, pairs = 0, loads // LOADS_PER_PAIR
    for day, of_day in enumerate(_even_parts(pairs, min(days, pairs)), start=1):
        sheets.append(Sheet(day, tuple(_sides(first, of_day * LOADS_PER_PAIR))))
        first += of_day * LOADS_PER_PAIR
    return sheets


def _heading(sheet: Sheet, side: Side, trial: Trial, days: int) -> str:
    """Return the heading of a side: the trial, the day if there are several, and the side after the first."""
    parts = [say("Trial {name}", name=trial.trial_id)]
    if days > 1:
        parts.append(say("day {day} of {days}", day=sheet.day, days=days))
    if side.number > 1:
        parts.append(say("side {n}", n=side.number))
    return ", ".join(parts)


def _continuation(sheet: Sheet, side: Side) -> str:
    """Return the sentence on the loads after this side; empty on the last one."""
    after = sheet.sides[side.number :]
    if not after:
        return ""
    loads = {"first": after[0].first + 1, "last": after[0].first + after[0].loads}
    if side.number % 2:
        return say("Loads {first} to {last} are on the back: print on both sides of the paper.", **loads)
    return say("Loads {first} to {last} are on another sheet.", **loads)


def _printed(sheet: Sheet, side: Side, trial: Trial, days: int, day: str, values: dict[str, str]) -> dict[str, Any]:
    """Return a side as its template needs it."""
    return {
        "heading": _heading(sheet, side, trial, days),
        "day": day if sheet.day == 1 else "",
        "is_front": side.number == 1,
        "continuation": _continuation(sheet, side),
        "columns": [
            [{"load": i + 1, "arm": trial.order[i], "value": values[trial.order[i]]} for i in column]
            for column in side.columns
        ],
    }


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
    with use_language(season.locale, season.texts):
        values = {arm: setting_value(v, setting, shown) for arm, v in zip("AB", trial.values, strict=True)}
        day = shown.day(trial.shift_date)
        return render(
            "trial.html.j2",
            out / f"trial-{safe_name(trial.trial_id)}.html",
            trial=trial,
            values=values,
            sides=[_printed(s, side, trial, len(sheets), day, values) for s in sheets for side in s.sides],
            label=capital(setting_label(trial.setting, season.catalogue)),
            caution=say(CAUTION),
        )
