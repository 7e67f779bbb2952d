"""Proposals for single columns: time format, meaning of words, and unit."""

import re
from typing import Any

import numpy as np

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import CONTRACTS
from transforms.contracts.units import UNITS, conversion_factor, parse_unit, stored_unit
from transforms.ingest.propose.matching import Name, known_names, plain_words
from transforms.ingest.propose.proposal import Asker, ColumnProposal
from transforms.ingest.propose.sniff import FormatGuess, is_number
from transforms.ingest.propose.times import detect_time_format

WORDS = {"work_state": "states", "place": "places"}
"""Column of words -> section of `names.toml` with the meanings of these words."""


class ColumnReader:
    """Builder of column proposals.

    Args:
        sniffed: detected format of the file.
        layout: keys of the mapping so far, including answers.
        catalogue: the machine settings of the workspace.
        zone: default time zone of times without an offset.
        asker: answers and open questions.
    """

    def __init__(
        self, sniffed: FormatGuess, layout: dict[str, Any], catalogue: Catalogue, zone: str, asker: Asker
    ) -> None:
        self.sniffed, self.layout, self.catalogue, self.zone, self.asker = sniffed, layout, catalogue, zone, asker
        self.cells = {c: [r[i] for r in sniffed.rows if i < len(r) and r[i]] for i, c in enumerate(sniffed.columns)}

    def column(
        self, column: str, name: Name, confidence: float, phrase: str | None, *, temporal: bool
    ) -> ColumnProposal:
        """Return the proposal to read a table column from a named column of the file.

        Args:
            column: the table column.
            name: the parsed name of the file column.
            confidence: confidence of the match, 0 to 1.
            phrase: the phrase that matched; None if the user named the column.
            temporal: True for a time column.
        """
        row: dict[str, Any] = {"from": list(name.sources)}
        reasons = ["your answer" if phrase is None else f"the name matches '{phrase.replace('_', ' ')}'"]
        proposed = ColumnProposal(column, row, confidence, reasons)
        if len(name.sources) == 2 and not temporal:
            proposed.reasons.append("mean of left and right")
        if temporal:
            self._time(proposed)
        elif column in {*WORDS, "cancelled"}:
            self._words(proposed)
        elif stored_unit(column) is not None:
            self._unit(proposed, name)
        return proposed

    def _time(self, proposed: ColumnProposal) -> None:
        """Set the format of a time, in one column or as date and time of day in two columns."""
        source = proposed.row["from"][0]
        cells = self.cells.get(source, [])
        form = detect_time_format(cells)
        if form is None or ("%H" not in form.format and "%I" not in form.format):
            clock = next((c for c in self.sniffed.columns if c != source and self._is_clock(c)), None)
            if clock is not None:
                joined = [f"{a} {b}" for a, b in zip(self.cells[source], self.cells[clock], strict=False)]
                both = detect_time_format(joined)
                if both is not None:
                    form, proposed.row["from"] = both, [source, clock]
                    proposed.reasons.append(f"date in '{source}', time of day in '{clock}'")
        key = f"{proposed.column}.format"
        shown = ", ".join(cells[:3])
        if form is None:
            answer = self.asker.ask(
                key,
                f"Which format do the times of '{source}' ({shown}) have? "
                "Answer with a strptime format such as %d.%m.%Y %H:%M",
            )
            proposed.confidence = min(proposed.confidence, 0.3)
            if answer is not None:
                proposed.row["format"] = answer
        else:
            proposed.row["format"] = form.format
            proposed.reasons.append(f"the times have the format {form.format}")
            if form.rivals:
                choices = [form.format, *form.rivals[:3]]
                proposed.row["format"] = (
                    self.asker.ask(
                        key,
                        f"The times of '{source}' ({shown}) fit several formats; which one is right?",
                        choices,
                        form.format,
                    )
                    or form.format
                )
                proposed.confidence = min(proposed.confidence, 0.5)
        self._zone(proposed, has_zone=form is not None and form.utc)

    def _is_clock(self, column: str) -> bool:
        cells = self.cells.get(column, [])[:50]
        return bool(cells) and all(re.match(r"^\d{1,2}:\d{1,2}(:\d{1,2})?( ?[AaPp][Mm])?$", c) for c in cells)

    def _zone(self, proposed: ColumnProposal, *, has_zone: bool) -> None:
        if has_zone:
            proposed.row["time_zone"] = "UTC"
            proposed.reasons.append("the times include their time zone")
            return
        answer = self.asker.ask(
            "time_zone",
            "The times do not include a time zone. Which time zone are they in? (an IANA time zone, or UTC)",
            guess=self.zone,
        )
        proposed.row["time_zone"] = answer or self.zone
        proposed.confidence = min(proposed.confidence, 0.95 if answer else 0.5)

    def _words(self, proposed: ColumnProposal) -> None:
        """Set the meaning of the words of a column; ask about unknown words."""
        cells = sorted(set(self.cells.get(proposed.row["from"][0], [])))[:40]
        if proposed.column == "cancelled":
            proposed.row["words"] = {
                c: "false" if c.casefold() in {"0", "no", "nein", "n", "ne", "false"} else "true" for c in cells
            }
            proposed.reasons.append("every word other than no means cancelled")
            proposed.confidence = min(proposed.confidence, 0.7)
            return
        meanings = known_names()[WORDS[proposed.column]]
        words: dict[str, str] = {}
        for cell in cells:
            meaning = next(
                (s for s, known in meanings.items() if set(plain_words(cell)) & set(known) or cell.casefold() == s),
                None,
            )
            answer = self.asker.answers.get(f"{proposed.column}.{cell}")
            if meaning is None and answer is None:
                what = proposed.column.replace("_", " ")
                self.asker.ask(f"{proposed.column}.{cell}", f"What does the {what} '{cell}' mean?", list(meanings))
            words[cell] = answer or meaning or next(iter(meanings))
        if any(k != v for k, v in words.items()):
            proposed.row["words"] = words
        proposed.reasons.append(f"{len(words)} words")

    def _unit(self, proposed: ColumnProposal, name: Name) -> None:
        """Set the unit from the unit row or the column name, else ask; a unit is never guessed."""
        stored = str(stored_unit(proposed.column))
        source = name.sources[0]
        key = f"{proposed.column}.unit"
        answer = self.asker.answers.get(key)
        texts = [(self.sniffed.units.get(source), "the unit row"), (name.unit_text, "the column name")]
        stated = next(((parse_unit(t), w, t) for t, w in texts if t and parse_unit(t) is not None), None)
        if answer is not None:
            self._unit_answer(proposed, answer, stored)
            return
        same_dimension = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        if stated is None and same_dimension == [stored]:
            proposed.row["unit"] = stored
            proposed.reasons.append(f"{stored} is the only unit for such values")
            return
        if stated is None:
            self._ask_unit(proposed, key, f"In which unit is '{source}'", stored)
            return
        unit, where, text = str(stated[0]), stated[1], stated[2]
        if UNITS[unit].dimension != UNITS[stored].dimension:
            if unit == "pct":
                scale = self.asker.ask(
                    f"{proposed.column}.full_scale",
                    f"'{source}' is in percent, {proposed.column} in {stored}: how many {stored} is 100 %?",
                )
                if scale is not None and not is_number(scale):
                    self.asker.again(
                        f"{proposed.column}.full_scale", f"'{scale}' is not a number: how many {stored} is 100 %?"
                    )
                elif scale is not None:
                    proposed.row.update({"unit": "pct", "full_scale": float(scale.replace(",", "."))})
                proposed.reasons.append(f"percent, from {where}")
                return
            self._ask_unit(
                proposed,
                key,
                f"'{source}' has the unit '{text}' in {where}, which does not fit {proposed.column}; "
                "in which unit is it",
                stored,
            )
            return
        proposed.row["unit"] = unit
        proposed.reasons.append(f"{unit}, from {where} ('{text}')")
        self._plausible(proposed, key, unit, stored)

    def _ask_unit(self, proposed: ColumnProposal, key: str, text: str, stored: str) -> None:
        proposed.confidence = min(proposed.confidence, 0.4)
        choices = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        self.asker.ask(
            key,
            f"{text} ({self._range(proposed)})? Or give the scale of the machine as 'steps 1=30, 9=70', in {stored}.",
            choices,
        )

    def _unit_answer(self, proposed: ColumnProposal, answer: str, stored: str) -> None:
        if answer.startswith("steps"):
            points = dict(re.findall(r"(-?[\d.]+)\s*=\s*(-?[\d.]+)", answer))
            proposed.row["steps"] = {k: float(v) for k, v in points.items()}
            proposed.reasons.append("your answer: the scale of the machine")
            return
        unit = parse_unit(answer) or answer
        if unit not in UNITS or UNITS[unit].dimension != UNITS[stored].dimension:
            choices = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
            self.asker.again(f"{proposed.column}.unit", f"'{answer}' cannot become {stored}; choose a unit.", choices)
            return
        proposed.row["unit"] = unit
        proposed.reasons.append(f"{unit}, your answer")

    def _numbers(self, proposed: ColumnProposal) -> np.ndarray:
        """Return the sample values of a column as numbers."""
        thousands, decimal = str(self.layout.get("thousands") or ""), str(self.layout.get("decimal", "."))
        cells = [
            c.replace(thousands, "") if thousands else c for s in proposed.row["from"] for c in self.cells.get(s, [])
        ]
        texts = [c.replace(decimal, ".") for c in cells if is_number(c)]
        return np.array([float(t) for t in texts if re.match(r"^[+-]?[\d.]+([eE][+-]?\d+)?$", t) and t.count(".") <= 1])

    def _range(self, proposed: ColumnProposal) -> str:
        numbers = self._numbers(proposed)
        return f"values from {numbers.min():g} to {numbers.max():g}" if numbers.size else "no values"

    def _plausible(self, proposed: ColumnProposal, key: str, unit: str, stored: str) -> None:
        """Ask about a stated unit that makes the median implausible, such as a truck of 27 kg."""
        numbers = self._numbers(proposed)
        numbers = numbers[numbers != 0]
        low, high = self._bounds(proposed.column)
        if not numbers.size or (low is None and high is None):
            return
        factor, offset = conversion_factor(unit, stored, where=proposed.column)
        median = float(np.median(numbers)) * factor + offset
        if (low is not None and median < low) or (high is not None and median > high):
            source = proposed.row["from"][0]
            text = f"'{source}' is said to be in {unit}, but then its median is {median:g} {stored}; in which unit"
            self._ask_unit(proposed, key, f"{text} is it", stored)

    def _bounds(self, column: str) -> tuple[float | None, float | None]:
        """Return the plausible (low, high) of a table column in its stored unit; None for no bound."""
        if column in self.catalogue:
            return self.catalogue[column].low, self.catalogue[column].high
        if column in {"gross_t", "net_t"}:
            return 1.0, 60.0
        for schema in CONTRACTS.values():
            if column in schema.columns():
                found = schema.columns()[column]
                return getattr(found, "min", None), getattr(found, "max", None)
        return None, None
