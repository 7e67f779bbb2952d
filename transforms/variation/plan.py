"""Variation plans and their TOML files, which a person may read."""

import datetime as dt
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from transforms.config.problems import Problem, raise_problems
from transforms.config.settings_catalogue import Catalogue
from transforms.config.tables import Name, Table, check_table
from transforms.config.toml_text import toml_comment, toml_string
from transforms.contracts.phrase import phrase
from transforms.contracts.reason import Reason, reason
from transforms.contracts.similar_name import use_one_of
from transforms.errors import WorkspaceError

LOADS_PER_PAIR = 2
NUMBERS = ("base_value", "low_value", "high_value", "worth", "cost")
"""Keys of a varied setting in the file, in the order of `VariedSetting`."""
REMEDY = phrase("restore the file as 'taretrace vary plan' wrote it")


@dataclass(frozen=True)
class VariedSetting:
    """A setting varied on one machine.

    Attributes:
        name: the setting.
        base_value: value without variation.
        low_value: lower level.
        high_value: higher level.
        worth: value of information, in the season's currency.
        cost: expected cost of varying it, in the season's currency.
    """

    name: str
    base_value: float
    low_value: float
    high_value: float
    worth: float
    cost: float


@dataclass(frozen=True)
class MachinePlan:
    """Planned loads of one machine in one shift.

    Attributes:
        machine_id: the machine.
        field_id: field in which it is expected to work.
        first_pair: number of its first pair within the plan.
        settings: the settings varied.
        loads: values of these settings for each load in the order of lifting; two consecutive loads form a pair.
    """

    machine_id: str
    field_id: str
    first_pair: int
    settings: tuple[VariedSetting, ...]
    loads: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class VariationPlan:
    """Designed variation of one shift.

    Attributes:
        plan_id: name of the plan and of its file.
        shift_date: the shift.
        seed: seed of the random order.
        machines: plan of each machine.
    """

    plan_id: str
    shift_date: dt.date
    seed: int
    machines: tuple[MachinePlan, ...]

    def block(self, machine: MachinePlan, position: int) -> str:
        """Return the name of the pair of the load at a position in a machine's order.

        Args:
            machine: the plan of one machine.
            position: place of the load in the machine's order of lifting, from 0.
        """
        return f"{self.plan_id}/{machine.first_pair + position // LOADS_PER_PAIR}"


class PlanTable(Table):
    """The keys of a plan's file."""

    shift_date: dt.date = Field(description="a date such as 2025-10-31")
    seed: int = Field(ge=0, description="a whole number, 0 or more")
    machine: list[dict[str, Any]] = Field(min_length=1, description="a table [[machine]] for each machine")


class MachineTable(Table):
    """The keys of one `[[machine]]`."""

    machine_id: Name = Field(description="the name of a machine")
    field_id: Name = Field(description="the name of a field")
    first_pair: int = Field(ge=1, description="a whole number, 1 or more")
    setting: list[dict[str, Any]] = Field(
        min_length=1, max_length=2, description="one or two tables [[machine.setting]]"
    )
    loads: list[Annotated[list[float], Field(min_length=1, max_length=2)]] = Field(
        min_length=2, description="a list of values for each load"
    )


class VariedTable(Table):
    """The keys of one `[[machine.setting]]`."""

    name: Name = Field(description="the name of a setting")
    base_value: float = Field(description="a number")
    low_value: float = Field(description="a number")
    high_value: float = Field(description="a number")
    worth: float = Field(description="an amount of money")
    cost: float = Field(description="an amount of money")


def plan_toml(plan: VariationPlan, catalogue: Catalogue, sentence_of: Callable[[Reason], str]) -> str:
    """Return the text of a plan's file.

    Args:
        plan: the plan.
        catalogue: the settings known, for their units.
        sentence_of: function that returns the sentence of a reason, for the comments.

    Returns:
        TOML that `read_plan` reads, with a comment for each load.
    """
    head = [
        toml_comment(sentence_of(reason("vary_file_read", plan=plan.plan_id))),
        f"shift_date = {plan.shift_date.isoformat()}",
        f"seed = {plan.seed}",
    ]
    return (
        "\n".join([*head, *(line for m in plan.machines for line in _machine_lines(m, catalogue, sentence_of))]) + "\n"
    )


def _machine_lines(machine: MachinePlan, catalogue: Catalogue, sentence_of: Callable[[Reason], str]) -> list[str]:
    """Return the lines of one machine."""
    lines = [
        "",
        "[[machine]]",
        f"machine_id = {toml_string(machine.machine_id)}",
        f"field_id = {toml_string(machine.field_id)}",
        f"first_pair = {machine.first_pair}",
        "loads = [",
    ]
    for n, values in enumerate(machine.loads, 1):
        comment = toml_comment(sentence_of(reason("vary_file_load", n=n)))
        lines.append(f"    [{', '.join(repr(v) for v in values)}],   {comment}")
    lines.append("]")
    for s in machine.settings:
        lines += [
            "",
            f"[[machine.setting]]   # {catalogue[s.name].unit}",
            f"name = {toml_string(s.name)}",
            *(f"{key} = {getattr(s, key)!r}" for key in NUMBERS),
        ]
    return lines


def read_plan(path: Path, catalogue: Catalogue) -> VariationPlan:
    """Read a plan's file.

    Args:
        path: the plan's file; its name without the ending is the plan's id.
        catalogue: the settings known.

    Raises:
        WorkspaceError: the file is missing or is not TOML.
        ConfigError: a key is unknown, missing or invalid, a setting is unknown, or two consecutive loads are not one at
            each level of every setting.
    """
    try:
        content: dict[str, Any] = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError as problem:
        known = sorted(p.stem for p in path.parent.glob("*.toml"))
        raise WorkspaceError(
            "there is no such plan",
            where=str(path),
            remedy="{hint}" if known else "plan one with 'taretrace vary plan'",
            hint=use_one_of(path.stem, known),
        ) from problem
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise WorkspaceError(
            "the plan cannot be read ({problem})", where=str(path), remedy="correct the file", problem=str(problem)
        ) from problem
    _check(PlanTable, content, str(path))
    machines = tuple(_machine(m, f"{path} [[machine]] {n}", catalogue) for n, m in enumerate(content["machine"], 1))
    return VariationPlan(path.stem, content["shift_date"], content["seed"], machines)


def _check(model: type[Table], table: Any, where: str) -> None:
    raise_problems(check_table(model, table, where)[1])


def _machine(table: dict[str, Any], where: str, catalogue: Catalogue) -> MachinePlan:
    """Return the plan of one machine from its table."""
    _check(MachineTable, table, where)
    settings = []
    for n, row in enumerate(table["setting"], 1):
        _check(VariedTable, row, f"{where} [[machine.setting]] {n}")
        if row["name"] not in catalogue:
            what = phrase("the setting '{name}' is not known", name=row["name"])
            raise_problems([Problem("wrong_value", "name", what, where, REMEDY)])
        settings.append(VariedSetting(row["name"], *(float(row[key]) for key in NUMBERS)))
    loads = tuple(tuple(float(v) for v in values) for values in table["loads"])
    _check_loads(loads, settings, where)
    return MachinePlan(table["machine_id"], table["field_id"], table["first_pair"], tuple(settings), loads)


def _check_loads(loads: tuple[tuple[float, ...], ...], settings: list[VariedSetting], where: str) -> None:
    """Raise an error unless every two consecutive loads have both levels of each setting."""
    expected = [{s.low_value, s.high_value} for s in settings]
    pairs = [loads[i : i + LOADS_PER_PAIR] for i in range(0, len(loads), LOADS_PER_PAIR)]
    for pair in pairs:
        values = list(zip(*pair, strict=False))
        is_whole = len(pair) == LOADS_PER_PAIR and all(len(v) == len(settings) for v in pair)
        if not is_whole or [set(v) for v in values] != expected:
            what = phrase("'loads' is not pairs of the lower and the higher level of each setting")
            raise_problems([Problem("wrong_value", "loads", what, where, REMEDY)])
