"""Evidence on fitted parts: those of each machine, those that it could have instead, and their comparisons."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import t

from transforms.config.response_catalogue import DIRT
from transforms.model.fitted_parts import PLACES

Row = dict[str, Any]


@dataclass(frozen=True)
class FleetParts:
    """Parts of the fleet and the evidence on them.

    Attributes:
        setups: `machine_setup`.
        effects: `part_effect`.
        clean_t: machine -> clean beet of a shift, t.
        zone: time zone of the season.
    """

    setups: pl.DataFrame
    effects: pl.DataFrame
    clean_t: dict[str, float]
    zone: str

    def fitted(self, machine_id: str, day: dt.date) -> Row | None:
        """Return the entry of the machine list that is in force on a day; None if there is none.

        Args:
            machine_id: the machine.
            day: the day, by the local clock.
        """
        local = pl.col("valid_from_at").dt.convert_time_zone(self.zone).dt.date()
        own = self.setups.filter((pl.col("machine_id") == machine_id) & (local <= day)).sort("valid_from_at")
        return own.row(-1, named=True) if own.height else None

    def others(self, generation: str, column: str, part: str) -> list[str]:
        """Return the other parts that machines of a generation have had in a place.

        Args:
            generation: generation of the machine.
            column: column of the place in the machine list.
            part: the part that is fitted.
        """
        of_kind = self.setups.filter(pl.col("generation") == generation)[column].drop_nulls().unique().sort()
        return [p for p in of_kind.to_list() if p != part]

    def comparison(self, response: str, place: str, parts: tuple[str, str], wetness_class: str | None) -> Row | None:
        """Return the estimated row of `part_effect` of two parts; None if there is none.

        Args:
            response: name of the response.
            place: place of the parts.
            parts: the two parts, in any order.
            wetness_class: class of wetness; None for the comparison over all classes.
        """
        first, second = sorted(parts)
        found = self.effects.filter(
            (pl.col("response") == response)
            & (pl.col("place") == place)
            & (pl.col("part") == first)
            & (pl.col("compared_with") == second)
            & pl.col("wetness_class").eq_missing(pl.lit(wetness_class, dtype=pl.String))
            & pl.col("change_pct").is_not_null()
        )
        return found.row(0, named=True) if found.height else None


def degrees_of_freedom(row: Row) -> int:
    """Return the degrees of freedom of a comparison: pairs of days by lot, else machines that changed, less one."""
    return int(row["pairs"] or row["machines"]) - 1


def is_by_lot(row: Row) -> bool:
    """Return True if the days of a comparison were drawn by lot, in part trials."""
    return row["pairs"] is not None


@dataclass(frozen=True)
class Change:
    """A part that could be fitted to a place of a machine instead of the present one."""

    place: str
    now: str
    part: str

    def log_change(self, row: Row) -> tuple[float, float]:
        """Return the change of the response on its log scale by the new part, and its standard error."""
        low, middle, high = (float(np.log1p(row[c] / 100)) for c in ("lo95", "change_pct", "hi95"))
        error = (high - low) / 2 / float(t.ppf(0.975, degrees_of_freedom(row)))
        return (middle if row["part"] == self.part else -middle), error


def possible_changes(fleet: FleetParts, machine_id: str, day: dt.date) -> Iterator[Change]:
    """Yield the parts that could be fitted to each place of a machine.

    Args:
        fleet: machine list and effects of parts.
        machine_id: the machine.
        day: the day, by the local clock.
    """
    fitted = fleet.fitted(machine_id, day)
    for place, column in PLACES.items():
        if fitted is not None and fitted.get(column) is not None:
            for part in fleet.others(fitted["generation"], column, fitted[column]):
                yield Change(place, fitted[column], part)


def clean_t_per_shift(facts: pl.DataFrame) -> dict[str, float]:
    """Return machine -> mean clean beet of its shifts, t; loads without a tare count with the mean dirt.

    Args:
        facts: `load_fact`.
    """
    clean = pl.col("delivered_t") * (1 - pl.col(DIRT).fill_null(pl.col(DIRT).mean()) / 100)
    by_shift = facts.drop_nulls("machine_id").select("machine_id", "shift_date", clean.alias("clean_t"))
    shifts = by_shift.group_by("machine_id", "shift_date", maintain_order=True).agg(pl.col("clean_t").sum())
    return dict(shifts.group_by("machine_id", maintain_order=True).agg(pl.col("clean_t").mean()).iter_rows())
