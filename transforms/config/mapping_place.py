"""A column of a mapping with the context of its checks."""

from dataclasses import dataclass
from typing import Any

import dataframely as dy

from transforms.config.forms import SELF_DESCRIBING
from transforms.config.problems import Code, Problem, format_value, key_shown
from transforms.contracts.phrase import Phrase, phrase

REMOVE = phrase("remove it")


@dataclass(frozen=True)
class ColumnPlace:
    """A column of a mapping, with the context that its checks need.

    Attributes:
        name: the table's column.
        column: its contract; None if the kind of file is unknown.
        is_flag: True if the column is a flag.
        is_needed: True if every file must provide the column.
        forms: the file formats that the mapping reads; empty if they are not known.
        header_line: the line of the header.
        zone: the mapping's time zone.
        has_zone: True if the mapping has a `time_zone` key, valid or not.
        others: the other columns of the mapping with their contracts.
        where: the mapping file and the table in it, for messages.
    """

    name: str
    column: dy.Column | None
    is_flag: bool
    is_needed: bool
    forms: frozenset[str]
    header_line: int
    zone: str | None
    has_zone: bool
    others: dict[str, tuple[dict[str, Any], dy.Column | None]]
    where: str

    @property
    def is_self_describing(self) -> bool:
        """True if the format defines units and times."""
        return bool(self.forms) and self.forms <= set(SELF_DESCRIBING)

    @property
    def is_time(self) -> bool:
        """True if the column contains times."""
        return isinstance(self.column, dy.Datetime) or self.name.endswith("_at")

    def zone_of(self, good: dict[str, Any]) -> str | None:
        """Return the time zone of constants: of the column, of the mapping, or of the time column `at`."""
        row, _ = self.others.get(good.get("at", ""), ({}, None))
        zone: str | None = good.get("time_zone") or self.zone or row.get("time_zone")
        return zone

    def problem(self, code: Code, key: str, what: Phrase, remedy: Phrase) -> Problem:
        """Return an error of this column."""
        return Problem(code, key, what, self.where, remedy)

    def unfit_entry(self, table: str, key: str, value: Any, expected: Phrase) -> Problem:
        """Return the error of an entry of a table of this column, such as `words`."""
        what = phrase("{name} in '{table}' is {value}", name=key_shown(key), table=table, value=format_value(value))
        return self.problem("wrong_value", table, what, phrase("give it {expected}", expected=expected))

    def only_one(self, key: str, other: str) -> Problem:
        """Return the error of a key that excludes another one."""
        what = phrase("only one of {names} is possible", names=f"{key_shown(other)}, {key_shown(key)}")
        return self.problem("conflict", key, what, phrase("keep one of them"))
