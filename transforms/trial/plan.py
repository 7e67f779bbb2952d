"""Trial plans and their TOML files, which a person may read and complete."""

import datetime as dt
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.config.toml_text import toml_comment, toml_string
from transforms.contracts.reason import Reason, reason
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError

ARMS = ("A", "B")


@dataclass(frozen=True)
class Trial:
    """A split-run trial of one setting.

    Attributes:
        trial_id: name of the trial and of its file.
        machine_id: the machine.
        field_id: the field.
        shift_date: the day.
        setting: the setting varied.
        values: value of the setting in arm A, the current one, and in arm B.
        order: arm of each load, in the order of lifting; two consecutive loads form a pair.
        detect_pct: change of dirt that the trial is designed to detect, percent.
        power: probability of detecting it.
        pair_sd: standard deviation of a pair's difference assumed in the design.
        tickets: weigh tickets in the order of lifting, if recorded; "" for a lost one.
    """

    trial_id: str
    machine_id: str
    field_id: str
    shift_date: dt.date
    setting: str
    values: tuple[float, float]
    order: tuple[str, ...]
    detect_pct: float
    power: float
    pair_sd: float
    tickets: tuple[str, ...] = ()

    @property
    def pairs(self) -> int:
        """Number of pairs of loads."""
        return len(self.order) // 2

    def value(self, position: int) -> float:
        """Return the planned value of the setting for the load at a position in the order."""
        return self.values[ARMS.index(self.order[position])]


def draw_order(pairs: int, seed: int) -> tuple[str, ...]:
    """Return the arms in order of lifting, with a random order within each pair.

    Args:
        pairs: number of pairs.
        seed: seed of the random generator.

    >>> draw_order(3, 7) == draw_order(3, 7)
    True
    >>> sorted(draw_order(1, 7))
    ['A', 'B']
    """
    first = np.random.default_rng(seed).integers(0, 2, pairs)
    return tuple(arm for f in first for arm in (ARMS[f], ARMS[1 - f]))


def trial_toml(trial: Trial, catalogue: Catalogue, sentence_of: Callable[[Reason], str]) -> str:
    """Return the text of a trial's file.

    Args:
        trial: the trial.
        catalogue: the settings known, for the unit of the setting.
        sentence_of: function that returns the sentence of a reason, for the comments.
    """
    setting = catalogue[trial.setting]
    order = "\n".join(
        f'    "{a}",   {toml_comment(sentence_of(_load_reason(i + 1, trial, setting)))}'
        for i, a in enumerate(trial.order)
    )
    tickets = ", ".join(f'"{t}"' for t in trial.tickets)
    return f"""{toml_comment(sentence_of(reason("trial_file_tickets")))}
{toml_comment(sentence_of(reason("trial_file_search")))}
machine_id = {toml_string(trial.machine_id)}
field_id = {toml_string(trial.field_id)}
shift_date = {trial.shift_date.isoformat()}
setting = {toml_string(trial.setting)}
value_a = {trial.values[0]!r}
value_b = {trial.values[1]!r}
detect_pct = {trial.detect_pct!r}
power = {trial.power!r}
pair_sd = {trial.pair_sd!r}
order = [
{order}
]
tickets = [{tickets}]
"""


def _load_reason(n: int, trial: Trial, setting: Setting) -> Reason:
    value = trial.value(n - 1)
    if setting.is_flag:
        state = setting.up if value >= (setting.low + setting.high) / 2 else setting.down
        return reason("trial_file_flag", n=n, setting=trial.setting, state=state)
    return reason("trial_file_load", n=n, setting=trial.setting, value=f"{value:g}", unit=setting.unit)


def read_trial(path: Path, catalogue: Catalogue) -> Trial:
    """Read a trial's file.

    Args:
        path: the trial's file; its name without the ending is the trial's id.
        catalogue: the settings known.

    Raises:
        WorkspaceError: the file is missing, is not TOML, lacks a key, its order is not pairs of A and B, or its setting
            is unknown.
    """
    try:
        content: dict[str, Any] = tomllib.loads(path.read_text("utf-8"))
        trial = Trial(
            path.stem,
            str(content["machine_id"]),
            str(content["field_id"]),
            content["shift_date"],
            str(content["setting"]),
            (float(content["value_a"]), float(content["value_b"])),
            tuple(content["order"]),
            float(content["detect_pct"]),
            float(content["power"]),
            float(content["pair_sd"]),
            tuple(str(t) for t in content.get("tickets", [])),
        )
    except FileNotFoundError as problem:
        known = sorted(p.stem for p in path.parent.glob("*.toml"))
        raise WorkspaceError(
            "there is no such trial",
            where=str(path),
            remedy="{hint}" if known else "plan a trial with 'taretrace trial plan'",
            hint=use_one_of(path.stem, known),
        ) from problem
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, KeyError, TypeError, ValueError) as problem:
        raise WorkspaceError(
            "the trial cannot be read ({problem})", where=str(path), remedy="correct the file", problem=str(problem)
        ) from problem
    pairs = [set(trial.order[i : i + 2]) for i in range(0, len(trial.order), 2)]
    if not pairs or any(p != set(ARMS) for p in pairs) or not isinstance(trial.shift_date, dt.date):
        raise WorkspaceError(
            "the order is not pairs of A and B",
            where=str(path),
            remedy="give every two consecutive loads one A and one B",
        )
    if trial.setting not in catalogue:
        raise WorkspaceError(
            "the setting '{name}' is not known",
            where=str(path),
            remedy="use a setting of the catalogue",
            name=trial.setting,
        )
    return trial
