"""Unit of a proposed column: stated in the file, else asked once for alike columns; never guessed."""

import re
from typing import Any

from transforms.contracts.reason import Reason, reason
from transforms.contracts.units import UNITS, conversion_factor, stored_unit
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.numbers import is_number
from transforms.ingest.propose.plausible import SCALED
from transforms.ingest.propose.proposal import OPEN, SKIP, Asker, ColumnProposal
from transforms.ingest.propose.table import SourceTable
from transforms.ingest.propose.unit_text import read_unit

UNIT_CODES = ("ask_unit", "ask_unit_mismatch", "ask_unit_implausible")
ASK_UNIT, ASK_MISMATCH, ASK_IMPLAUSIBLE = UNIT_CODES
EXAMPLES = 4


class UnitChooser:
    """Chooser of the units of a table's columns.

    Args:
        table: the table.
        asker: answers and open questions.
        zone: time zone of the season: in North America, a ton may be a short ton.
    """

    def __init__(self, table: SourceTable, asker: Asker, zone: str) -> None:
        self.table, self.asker, self.is_american = table, asker, zone.startswith("America/")
        self.families: dict[tuple[str, str], list[str]] = {}

    def set_unit(self, proposed: ColumnProposal, name: Name) -> None:
        """Set the unit from the unit row or the column name, else ask."""
        stored = str(stored_unit(proposed.column))
        answer = self.asker.answer(f"{proposed.column}.unit")
        if answer is not None and answer != SKIP:
            self.families.setdefault((UNITS[stored].dimension, stored), []).append(proposed.column)
            self._answered(proposed, answer, stored)
            return
        text, in_row = self.table.plausibility.unit_text(name)
        unit = read_unit(text) if text else None
        if unit == "t" and self.is_american:
            unit = None
        same_dimension = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        if unit is None and not text and same_dimension == [stored]:
            proposed.row["unit"] = stored
            proposed.reasons.append(reason("only_unit", unit=stored))
        elif unit is None:
            self._unstated(proposed, stored, text)
        elif UNITS[unit].dimension != UNITS[stored].dimension:
            self._other_dimension(proposed, name, unit, str(text), in_row=in_row)
        else:
            proposed.row["unit"] = unit
            why = reason("unit_of_unit_row" if in_row else "unit_of_column_name", unit=unit, text=text)
            proposed.reasons.append(why)
            self._check(proposed, unit, stored)

    def _other_dimension(self, proposed: ColumnProposal, name: Name, unit: str, text: str, *, in_row: bool) -> None:
        """Ask about a unit of another dimension; percent of a machine's scale needs the value of 100 %."""
        stored = str(stored_unit(proposed.column))
        source = name.sources[0]
        if unit != "pct" or UNITS[stored].dimension not in SCALED:
            place = reason("place_unit_row" if in_row else "place_column_name")
            self._ask(proposed, stored, ASK_MISMATCH, source=source, text=text, place=place, column=proposed.column)
            return
        proposed.reasons.append(reason("percent_of_unit_row" if in_row else "percent_of_column_name"))
        key = f"{proposed.column}.full_scale"
        if name.full_scale is not None and self.asker.answer(key) is None:
            proposed.row.update({"unit": "pct", "full_scale": name.full_scale})
            return
        why = reason("ask_full_scale", source=source, column=proposed.column, stored=stored)
        scale = self.asker.ask(key, why, example=self._examples(proposed))
        if scale is None:
            proposed.confidence = min(proposed.confidence, OPEN)
        if scale is not None and not is_number(scale):
            self.asker.again(key, reason("ask_full_scale_again", answer=scale, stored=stored))
        elif scale is not None:
            proposed.row.update({"unit": "pct", "full_scale": float(scale.replace(",", "."))})

    def _unstated(self, proposed: ColumnProposal, stored: str, text: str | None) -> None:
        """Use the answer for an alike column, or ask."""
        source = proposed.row["from"][0]
        if text:
            place = reason("place_unit_row" if source in self.table.sniffed.units else "place_column_name")
            self._ask(proposed, stored, ASK_MISMATCH, source=source, text=text, place=place, column=proposed.column)
            return
        family = self.families.setdefault((UNITS[stored].dimension, stored), [])
        family.append(proposed.column)
        first = family[0]
        answer = None if first == proposed.column else self.asker.answer(f"{first}.unit")
        unit = read_unit(answer) if answer else None
        if unit is not None and self._fits(proposed, unit):
            proposed.row["unit"] = unit
            proposed.reasons.append(reason("unit_as_other", unit=unit, column=first))
        elif first == proposed.column or answer is not None:
            self._ask(proposed, stored, ASK_UNIT, source=source)
        else:
            proposed.confidence = min(proposed.confidence, OPEN)

    def _fits(self, proposed: ColumnProposal, unit: str) -> bool:
        if unit not in UNITS or UNITS[unit].dimension != UNITS[str(stored_unit(proposed.column))].dimension:
            return False
        profile = self.table.profiles[proposed.row["from"][0]]
        return self.table.plausibility.fits(proposed.column, unit, profile)

    def _ask(self, proposed: ColumnProposal, stored: str, code: str, **args: Any) -> None:
        proposed.confidence = min(proposed.confidence, 0.4)
        why = reason(code, values=self._range(proposed), stored=stored, **args)
        self.asker.ask(
            f"{proposed.column}.unit", why, self._choices(proposed, stored), example=self._converted(proposed)
        )

    def _choices(self, proposed: ColumnProposal, stored: str) -> list[str]:
        """Return the units of a dimension, plausible ones first."""
        units = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        if UNITS[stored].dimension in SCALED:
            units.append("pct")
        return [*sorted(units, key=lambda u: not self._fits(proposed, u)), SKIP]

    def _converted(self, proposed: ColumnProposal) -> str:
        """Return the first value in the likely units, such as "2710 kg = 2.71 t"."""
        stored = str(stored_unit(proposed.column))
        numbers = self.table.profiles[proposed.row["from"][0]].numbers
        likely = [u for u in self._choices(proposed, stored) if u != SKIP and self._fits(proposed, u)][:EXAMPLES]
        if not numbers.size:
            return ""
        parts = []
        for unit in likely:
            factor, offset = conversion_factor(unit, stored, where=proposed.column)
            parts.append(f"{numbers[0]:g} {unit} = {numbers[0] * factor + offset:.3g} {stored}")
        return "; ".join(parts)

    def _examples(self, proposed: ColumnProposal) -> str:
        return self.table.profiles[proposed.row["from"][0]].examples

    def _answered(self, proposed: ColumnProposal, answer: str, stored: str) -> None:
        if answer.startswith("steps"):
            points = dict(re.findall(r"(-?[\d.]+)\s*=\s*(-?[\d.]+)", answer))
            proposed.row["steps"] = {k: float(v) for k, v in points.items()}
            proposed.reasons.append(reason("your_answer_scale"))
            return
        unit = read_unit(answer) or answer
        if unit == "pct" and UNITS[stored].dimension in SCALED:
            self._other_dimension(proposed, Name(tuple(proposed.row["from"]), ()), unit, answer, in_row=False)
            return
        if unit not in UNITS or UNITS[unit].dimension != UNITS[stored].dimension:
            why = reason("ask_unit_again", answer=answer, stored=stored)
            self.asker.again(f"{proposed.column}.unit", why, self._choices(proposed, stored))
            return
        proposed.row["unit"] = unit
        proposed.reasons.append(reason("your_answer_unit", unit=unit))

    def _range(self, proposed: ColumnProposal) -> Reason:
        numbers = self.table.profiles[proposed.row["from"][0]].numbers
        if not numbers.size:
            return reason("no_values")
        return reason("values_between", low=float(numbers.min()), high=float(numbers.max()))

    def _check(self, proposed: ColumnProposal, unit: str, stored: str) -> None:
        """Ask about a stated unit that makes the median implausible, such as a truck of 27 kg."""
        source = proposed.row["from"][0]
        if not self._fits(proposed, unit):
            profile = self.table.profiles[source]
            median = self.table.plausibility.median(proposed.column, unit, profile)
            self._ask(proposed, stored, ASK_IMPLAUSIBLE, source=source, unit=unit, median=median)
