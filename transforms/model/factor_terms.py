"""Terms with a random coefficient for each level: intercepts, and machines' own slopes of settings."""

from abc import ABC, abstractmethod
from dataclasses import dataclass

from transforms.arrays import Array
from transforms.mixed_model.cross_products import Factor
from transforms.model.term import TermRows


class FactorTerm(ABC):
    """A term whose coefficients are those of the levels of a factor.

    Attributes:
        keys: columns of the facts that identify a level.
    """

    keys: tuple[str, ...]

    @property
    @abstractmethod
    def name(self) -> str:
        """Name of its variance."""

    @abstractmethod
    def slope(self, rows: TermRows) -> Array | None:
        """Return the multiplier of the coefficients, shape (n,); None for an intercept."""

    def factor(self, rows: TermRows) -> Factor:
        """Return the levels of the rows, with their labels and the multiplier of the coefficients."""
        codes, labels = rows.levels(self.keys)
        return Factor(self.name, codes, labels.size, self.slope(rows), labels)


@dataclass(frozen=True)
class RandomIntercept(FactorTerm):
    """Random intercept of each level of the key columns.

    Attributes:
        group: field, machine, operator, machine_day, site_day or season.
        keys: columns of the facts that identify a level.
    """

    group: str
    keys: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of its variance."""
        return self.group

    def slope(self, rows: TermRows) -> None:
        """Return None."""


@dataclass(frozen=True)
class MachineSlope(FactorTerm):
    """Machines' own slopes of a setting within visits."""

    setting: str
    keys = ("machine_id",)

    @property
    def name(self) -> str:
        """Name of its variance."""
        return f"machine slope of {self.setting}"

    def slope(self, rows: TermRows) -> Array:
        """Return the departures from the visit mean."""
        return rows.departures[self.setting]
