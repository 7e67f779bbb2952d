"""Plans of part trials and their TOML files, which a person may read and complete.

A part is changed in the workshop, so a part trial draws the part of each day of a machine, not of each load. Two
consecutive days of a machine form a pair: one with each part, in random order. Several machines may share a trial.
"""

import datetime as dt
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from transforms.config.toml_text import toml_comment, toml_string
from transforms.contracts.classes import WETNESS_CLASSES
from transforms.contracts.reason import Reason, reason
from transforms.errors import WorkspaceError
from transforms.model.fitted_parts import PLACES
from transforms.trial.plan import ARMS

Order = tuple[str, ...]
"""Arm of each day of a machine."""
PLACE_KEY = "place"
"""Key that only the file of a part trial has."""


@dataclass(frozen=True)
class PartTrial:
    """A trial of two parts, fitted on days drawn by lot.

    Attributes:
        trial_id: name of the trial and of its file.
        place: place of the parts, one of `PLACES`.
        parts: part of arm A, the one fitted at the start, and of arm B.
        shift_date: first day.
        wetness_class: topsoil on whose days the trial runs; None for all days.
        orders: machine -> arm of each of its days, in order; two consecutive days form a pair.
        detect_pct: change of dirt that the trial is designed to detect, percent.
        power: probability of detecting it.
        pair_sd: standard deviation of a pair's difference assumed in the design, log scale.
        dates: machine -> dates of its days (YYYY-MM-DD), if recorded; "" for a lost one.
    """

    trial_id: str
    place: str
    parts: tuple[str, str]
    shift_date: dt.date
    wetness_class: str | None
    orders: Mapping[str, Order]
    detect_pct: float
    power: float
    pair_sd: float
    dates: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def setting(self) -> str:
        """Column of the parts in the machine list."""
        return PLACES[self.place]

    @property
    def pairs(self) -> int:
        """Number of pairs of days of all machines."""
        return sum(len(order) // 2 for order in self.orders.values())

    @property
    def days(self) -> int:
        """Number of days that each machine needs, the largest one of the machines."""
        return max(len(order) for order in self.orders.values())

    @property
    def changes(self) -> int:
        """Number of changes in the workshop, from the part fitted at the start on."""
        return sum(sum(a != b for a, b in zip((ARMS[0], *o), o, strict=False)) for o in self.orders.values())

    def part(self, arm: str) -> str:
        """Return the part of an arm."""
        return self.parts[ARMS.index(arm)]


def part_trial_toml(trial: PartTrial, sentence_of: Callable[[Reason], str]) -> str:
    """Return the text of a part trial's file.

    Args:
        trial: the trial.
        sentence_of: function that returns the sentence of a reason, for the comments.
    """

    def lines(order: Order) -> str:
        said = (sentence_of(reason("part_trial_file_day", n=i + 1, part=trial.part(a))) for i, a in enumerate(order))
        return "\n".join(f'    "{a}",   {toml_comment(s)}' for a, s in zip(order, said, strict=True))

    orders = "\n".join(f"{toml_string(m)} = [\n{lines(order)}\n]" for m, order in trial.orders.items())
    dated = ((m, ", ".join(toml_string(d) for d in trial.dates.get(m, ()))) for m in trial.orders)
    dates = "\n".join(f"{toml_string(m)} = [{days}]" for m, days in dated)
    topsoil = "" if trial.wetness_class is None else f"topsoil = {toml_string(trial.wetness_class)}\n"
    return f"""{toml_comment(sentence_of(reason("part_trial_file_dates")))}
{toml_comment(sentence_of(reason("part_trial_file_search")))}
{PLACE_KEY} = {toml_string(trial.place)}
part_a = {toml_string(trial.parts[0])}
part_b = {toml_string(trial.parts[1])}
shift_date = {trial.shift_date.isoformat()}
{topsoil}detect_pct = {trial.detect_pct!r}
power = {trial.power!r}
pair_sd = {trial.pair_sd!r}

[days]
{orders}

[dates]
{dates}
"""


def is_part_trial(path: Path) -> bool:
    """Return True if a file is that of a part trial; False also for a file that cannot be read."""
    try:
        return PLACE_KEY in tomllib.loads(path.read_text("utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return False


def read_part_trial(path: Path) -> PartTrial:
    """Read the file of a part trial.

    Args:
        path: the file; its name without the ending is the trial's id.

    Raises:
        WorkspaceError: the file is not TOML, lacks a key, names an unknown place, topsoil or date, or the days of a
            machine are not pairs of A and B.
    """
    try:
        trial = _trial_of(path.stem, tomllib.loads(path.read_text("utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, KeyError, TypeError, ValueError, AttributeError) as problem:
        raise WorkspaceError(
            "the trial cannot be read ({problem})", where=str(path), remedy="correct the file", problem=str(problem)
        ) from problem
    pairs = [set(order[i : i + 2]) for order in trial.orders.values() for i in range(0, len(order), 2)]
    if not pairs or any(p != set(ARMS) for p in pairs):
        raise WorkspaceError(
            "the days are not pairs of A and B",
            where=str(path),
            remedy="give every two consecutive days of a machine one A and one B",
        )
    return trial


def _trial_of(trial_id: str, content: dict[str, Any]) -> PartTrial:
    """Return the trial of a file's content; raises what its conversions raise."""
    topsoil = content.get("topsoil")
    if content[PLACE_KEY] not in PLACES or topsoil not in {None, *WETNESS_CLASSES}:
        raise ValueError(f"{content[PLACE_KEY]}, {topsoil}")
    dates = {m: tuple(str(d) for d in days) for m, days in content.get("dates", {}).items()}
    for text in (d for days in dates.values() for d in days if d):
        dt.date.fromisoformat(text)
    if not isinstance(content["shift_date"], dt.date):
        raise TypeError("shift_date")
    return PartTrial(
        trial_id,
        str(content[PLACE_KEY]),
        (str(content["part_a"]), str(content["part_b"])),
        content["shift_date"],
        topsoil,
        {str(m): tuple(order) for m, order in content["days"].items()},
        float(content["detect_pct"]),
        float(content["power"]),
        float(content["pair_sd"]),
        dates,
    )
