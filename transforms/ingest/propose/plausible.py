"""Evidence of the values of a file's column for or against the meaning of a table column."""

import datetime as dt
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import CONTRACTS
from transforms.contracts.units import UNITS, conversion_factor, stored_unit
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.profile import ColumnProfile
from transforms.ingest.propose.unit_text import read_unit

WORD_COLUMNS = {"work_state": "states", "place": "places"}
"""Column of words -> section of `names.toml` with the meanings of these words."""
FLAGS = {"cancelled", "unloading", "rear_roller_reversed"}
ROW_KEYS = {"load": "load_id", "tare": "sample_id", "loss_audit": "audit_id", "root_check": "check_id"}
"""Kind of file -> column that identifies a row, apart from revisions."""
KEYS = {**ROW_KEYS, "field": "field_id", "field_boundary": "field_id"}
TYPICAL = {
    "delivered_t": (1.0, 60.0),
    "clean_t": (1.0, 60.0),
    "truck_full_t": (5.0, 100.0),
    "truck_empty_t": (2.0, 40.0),
    "loaded_t": (0.5, 60.0),
    "unloaded_t": (0.5, 60.0),
    "dirt_tare_pct": (1.0, 50.0),
    "sugar_pct": (10.0, 25.0),
    "sample_kg": (2.0, 200.0),
    "air_temp_c": (-25.0, 40.0),
    "rain_mm": (0.0, 100.0),
}
"""Plausible medians in the stored unit, if narrower than the bounds of the contract (common practice, no source)."""
SCALED = {"rotation", "mass", "length", "speed"}
"""Dimensions of settings that a machine may log in percent of their full scale."""
TIME_WORDS = (
    "time",
    "date",
    "utc",
    "hour",
    "issued",
    "forecast",
    "valid",
    "weighed",
    "arrival",
    "departure",
    "from",
    "check",
    "audit",
)
"""Concepts of names of columns in which numbers may be times."""
COUNTED = {"load_number", "unload_number"}
"""Numbers that may rise by one from row to row; any other such column is a line number."""
UNSPECIFIC = {"count", "flag", UNITS["pct"].dimension}
"""Dimensions of many columns of a file."""
MAX_PERCENT = 120
"""Drives run a little above their full scale."""
FEW_WORDS = 25
MAX_MACHINES = 60
MAX_REPEATS, FEW_REPEATS = 0.5, 0.02
"""Shares of repeated ids of the row, such as those of revisions, that exclude and that support an id."""
MAX_KEY_LETTERS = 24
GEOMETRY = ("{", "POLYGON", "MULTIPOLYGON")
"""Beginnings of outlines as GeoJSON and as well-known text."""
KNOWN_SHARE = 0.6
"""Minimum share of known ids among the values of a key."""


class Evidence(NamedTuple):
    """Evidence of values: a factor of the confidence, and True if the values support the meaning by themselves."""

    factor: float
    supports: bool


NO_EVIDENCE, AGAINST, EXCLUDED = (
    Evidence(1.0, supports=False),
    Evidence(0.5, supports=False),
    Evidence(0.0, supports=False),
)
SUPPORTED = Evidence(1.0, supports=True)


@dataclass
class Plausibility:
    """Evidence of all columns of a table.

    Attributes:
        profiles: values of the columns.
        units: text of the unit row, by column.
        catalogue: the machine settings of the workspace.
        known: ids that the workspace already has, by column such as `load_id`.
        made_at: local time at which the file was made.
        answers: answers that state units.
    """

    profiles: dict[str, ColumnProfile]
    units: dict[str, str]
    catalogue: Catalogue
    known: dict[str, frozenset[str]] = field(default_factory=dict)
    made_at: dt.datetime | None = None

    def unit_text(self, name: Name) -> tuple[str | None, bool]:
        """Return (unit of a column as written in the unit row or the name, True if it is in the unit row)."""
        in_row = self.units.get(name.sources[0])
        return (in_row, True) if in_row and in_row not in {"-", "--"} else (name.unit_text, False)

    def weigh(self, kind: str, column: str, name: Name) -> Evidence:
        """Return the evidence for a table column in a file's column."""
        profile = self.profiles[name.sources[0]]
        if not profile.filled:
            return NO_EVIDENCE
        if column.endswith("_at"):
            return self._time(column, name, profile)
        if column.endswith("_id"):
            return self._id(kind, column, profile)
        if column in WORD_COLUMNS or column in FLAGS:
            is_few = len(profile.distinct) <= FEW_WORDS and profile.time_form is None
            return SUPPORTED if is_few else AGAINST
        if column in {"generation", "boundary"} or column.endswith("_elements"):
            is_geometry = all(c.lstrip().startswith(GEOMETRY) for c in profile.distinct)
            is_other = profile.time_form is not None or (column == "boundary" and not is_geometry)
            return EXCLUDED if is_other else NO_EVIDENCE
        return self._number(column, name, profile)

    def _time(self, column: str, name: Name, profile: ColumnProfile) -> Evidence:
        form = profile.time_form
        if form is None:
            is_serial = profile.serial_form is not None and name.has(*TIME_WORDS)
            return SUPPORTED if is_serial or profile.is_clock else EXCLUDED
        last = form.read.max()
        is_future = self.made_at is not None and isinstance(last, dt.datetime) and last > self.made_at + dt.timedelta(2)
        if column == "issued_at" and is_future:
            return AGAINST
        return SUPPORTED

    def _id(self, kind: str, column: str, profile: ColumnProfile) -> Evidence:
        is_time = (profile.time_form is not None and not profile.is_numeric) or profile.is_clock
        if is_time or (profile.is_numeric and not profile.is_whole):
            return EXCLUDED
        if column == ROW_KEYS.get(kind):
            return _key_evidence(profile)
        if self._is_known(column, profile):
            return SUPPORTED
        is_doubtful = (
            (column == "machine_id" and len(profile.distinct) > MAX_MACHINES)
            or (column == "load_id" and profile.is_counter)
            or (column == KEYS.get(kind) and not profile.is_unique)
        )
        return AGAINST if is_doubtful else SUPPORTED

    def _is_known(self, column: str, profile: ColumnProfile) -> bool:
        return len(profile.distinct & self.known.get(column, frozenset())) >= KNOWN_SHARE * len(profile.distinct)

    def is_joined(self, column: str, name: Name) -> bool:
        """Return True if the values are ids that the workspace already has."""
        profile = self.profiles[name.sources[0]]
        return column in self.known and bool(profile.filled) and self._is_known(column, profile)

    def is_specific(self, kind: str, column: str, name: Name) -> bool:
        """Return True if few other columns could have the values: the only times or keys, or a unit that few have.

        Any id, number or percentage could be many things, so its form alone shows nothing.
        """
        profile = self.profiles[name.sources[0]]
        if column.endswith("_at"):
            others = [p for c, p in self.profiles.items() if c not in name.sources]
            return not any(p.time_form is not None and not p.is_whole for p in others)
        if column == KEYS.get(kind):
            return sum(may_be_key(p) for p in self.profiles.values()) == 1 and may_be_key(profile)
        if column == "boundary":
            return True
        text, _ = self.unit_text(name)
        unit, stored = read_unit(text) if text else None, stored_unit(column)
        if unit is None or stored is None or UNITS[unit].dimension in UNSPECIFIC:
            return False
        return UNITS[unit].dimension == UNITS[stored].dimension and self.fits(column, unit, profile)

    def _number(self, column: str, name: Name, profile: ColumnProfile) -> Evidence:
        is_line_number = profile.is_counter and column not in COUNTED
        is_time = profile.time_form is not None and not profile.is_whole
        if is_line_number or is_time or not profile.is_numeric:
            return EXCLUDED
        text, _ = self.unit_text(name)
        unit, stored = read_unit(text) if text else None, stored_unit(column)
        if stored is None:
            return self._count(column, unit, profile)
        dimension = UNITS[stored].dimension
        if text and unit is None:
            return Evidence(0.9, supports=False)
        if unit is None:
            units = [u for u, v in UNITS.items() if v.dimension == dimension]
            is_percent = dimension in SCALED and profile.numbers.min() >= 0 and profile.numbers.max() <= MAX_PERCENT
            is_possible = is_percent or any(self.fits(column, u, profile) for u in units)
            return NO_EVIDENCE if is_possible else Evidence(0.3, supports=False)
        if UNITS[unit].dimension != dimension:
            return Evidence(0.97, supports=True) if unit == "pct" and dimension in SCALED else EXCLUDED
        return SUPPORTED if self.fits(column, unit, profile) else AGAINST

    def _count(self, column: str, unit: str | None, profile: ColumnProfile) -> Evidence:
        """Return the evidence for a number without unit: kilograms and shares are not counts."""
        if unit is not None and UNITS[unit].dimension not in {"count", "flag"}:
            return EXCLUDED
        low, high = self.bounds(column)
        is_inside = (low is None or profile.numbers.min() >= low) and (high is None or profile.numbers.max() <= high)
        if column.endswith(("_count", "_number")) or column == "revision":
            return SUPPORTED if profile.is_whole and is_inside else Evidence(0.2, supports=False)
        return NO_EVIDENCE if is_inside else AGAINST

    def fits(self, column: str, unit: str, profile: ColumnProfile) -> bool:
        """Return True if the median of a column is plausible in a unit."""
        median = self.median(column, unit, profile)
        if median is None:
            return True
        low, high = self.bounds(column)
        return (low is None or median >= low) and (high is None or median <= high)

    def median(self, column: str, unit: str, profile: ColumnProfile) -> float | None:
        """Return the median of the values other than zero, in the stored unit; None without such values."""
        numbers = profile.numbers[profile.numbers != 0]
        stored = stored_unit(column)
        if not numbers.size or stored is None:
            return None
        factor, offset = conversion_factor(unit, stored, where=column)
        return float(np.median(numbers)) * factor + offset

    def bounds(self, column: str) -> tuple[float | None, float | None]:
        """Return the plausible (low, high) of a table column in its stored unit; None for no bound."""
        if column in self.catalogue:
            return self.catalogue[column].low, self.catalogue[column].high
        if column in TYPICAL:
            return TYPICAL[column]
        found = [s.columns()[column] for s in CONTRACTS.values() if column in s.columns()]
        # The sun of a day exceeds the bound of an hour.
        lows: list[float] = [low for c in found if (low := getattr(c, "min", None)) is not None]
        highs: list[float] = [high for c in found if (high := getattr(c, "max", None)) is not None]
        is_low, is_high = (bool(ends) and len(ends) == len(found) for ends in (lows, highs))
        return min(lows) if is_low else None, max(highs) if is_high else None


def _key_evidence(profile: ColumnProfile) -> Evidence:
    """Return the evidence for an id of the row: almost unique, and not a line number."""
    repeats = 1 - len(profile.distinct) / len(profile.filled)
    if profile.is_counter:
        return AGAINST
    if repeats > MAX_REPEATS:
        return Evidence(0.3, supports=False)
    return Evidence(1 - repeats, supports=repeats < FEW_REPEATS)


def may_be_key(profile: ColumnProfile) -> bool:
    """Return True if values could identify rows: they are short, unique texts or whole numbers, and no times."""
    is_text = profile.time_form is None and not profile.is_clock and not (profile.is_numeric and not profile.is_whole)
    return is_text and profile.is_unique and not profile.is_counter and max(map(len, profile.filled)) <= MAX_KEY_LETTERS
