"""Proposals for single columns: time format, meaning of words, and unit."""

import re
from typing import Any

import numpy as np

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason, reason
from transforms.contracts.source_tables import CONTRACTS
from transforms.contracts.units import UNITS, conversion_factor, parse_unit, stored_unit
from transforms.ingest.propose.matching import Name, known_names, plain_words
from transforms.ingest.propose.proposal import Asker, ColumnProposal
from transforms.ingest.propose.sniff import FormatGuess, is_number
from transforms.ingest.propose.times import detect_time_format

UNIT_CODES = ("ask_unit", "ask_unit_mismatch", "ask_unit_implausible")
ASK_UNIT, ASK_MISMATCH, ASK_IMPLAUSIBLE = UNIT_CODES
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
        named = reason("your_answer") if phrase is None else reason("name_matches", phrase=phrase.replace("_", " "))
        proposed = ColumnProposal(column, row, confidence, [named])
        if len(name.sources) == 2 and not temporal:
            proposed.reasons.append(reason("mean_of_sides"))
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
                    proposed.reasons.append(reason("date_and_clock", source=source, clock=clock))
        key = f"{proposed.column}.format"
        shown = ", ".join(cells[:3])
        if form is None:
            answer = self.asker.ask(key, reason("ask_time_format", source=source, examples=shown))
            proposed.confidence = min(proposed.confidence, 0.3)
            if answer is not None:
                proposed.row["format"] = answer
        else:
            proposed.row["format"] = form.format
            proposed.reasons.append(reason("times_have_form", form=form.format))
            if form.rivals:
                choices = [form.format, *form.rivals[:3]]
                proposed.row["format"] = (
                    self.asker.ask(
                        key,
                        reason("ask_time_rival", source=source, examples=shown),
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
            proposed.reasons.append(reason("times_have_zone"))
            return
        answer = self.asker.ask(
            "time_zone",
            reason("ask_time_zone"),
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
            proposed.reasons.append(reason("words_mean_cancelled"))
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
                is_state = proposed.column == "work_state"
                why = reason("ask_state", word=cell) if is_state else reason("ask_place", word=cell)
                self.asker.ask(f"{proposed.column}.{cell}", why, list(meanings))
            words[cell] = answer or meaning or next(iter(meanings))
        if any(k != v for k, v in words.items()):
            proposed.row["words"] = words
        proposed.reasons.append(reason("words_known", n=len(words)))

    def _unit(self, proposed: ColumnProposal, name: Name) -> None:
        """Set the unit from the unit row or the column name, else ask; a unit is never guessed."""
        stored = str(stored_unit(proposed.column))
        source = name.sources[0]
        key = f"{proposed.column}.unit"
        answer = self.asker.answers.get(key)
        texts = [(self.sniffed.units.get(source), True), (name.unit_text, False)]
        stated = next(((parse_unit(t), row, t) for t, row in texts if t and parse_unit(t) is not None), None)
        if answer is not None:
            self._unit_answer(proposed, answer, stored)
            return
        same_dimension = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        if stated is None and same_dimension == [stored]:
            proposed.row["unit"] = stored
            proposed.reasons.append(reason("only_unit", unit=stored))
            return
        if stated is None:
            self._ask_unit(proposed, key, stored, ASK_UNIT, source=source)
            return
        unit, in_unit_row, text = str(stated[0]), stated[1], stated[2]
        if UNITS[unit].dimension != UNITS[stored].dimension:
            if unit == "pct":
                scale = self.asker.ask(
                    f"{proposed.column}.full_scale",
                    reason("ask_full_scale", source=source, column=proposed.column, stored=stored),
                )
                if scale is not None and not is_number(scale):
                    self.asker.again(
                        f"{proposed.column}.full_scale",
                        reason("ask_full_scale_again", answer=scale, stored=stored),
                    )
                elif scale is not None:
                    proposed.row.update({"unit": "pct", "full_scale": float(scale.replace(",", "."))})
                proposed.reasons.append(reason("percent_of_unit_row" if in_unit_row else "percent_of_column_name"))
                return
            place = reason("place_unit_row" if in_unit_row else "place_column_name")
            mismatch = {"source": source, "text": text, "place": place, "column": proposed.column}
            self._ask_unit(proposed, key, stored, ASK_MISMATCH, **mismatch)
            return
        proposed.row["unit"] = unit
        stated_in = reason("unit_of_unit_row" if in_unit_row else "unit_of_column_name", unit=unit, text=text)
        proposed.reasons.append(stated_in)
        self._plausible(proposed, key, unit, stored)

    def _ask_unit(self, proposed: ColumnProposal, key: str, stored: str, code: str, **args: Any) -> None:
        proposed.confidence = min(proposed.confidence, 0.4)
        choices = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        self.asker.ask(key, reason(code, values=self._range(proposed), stored=stored, **args), choices)

    def _unit_answer(self, proposed: ColumnProposal, answer: str, stored: str) -> None:
        if answer.startswith("steps"):
            points = dict(re.findall(r"(-?[\d.]+)\s*=\s*(-?[\d.]+)", answer))
            proposed.row["steps"] = {k: float(v) for k, v in points.items()}
            proposed.reasons.append(reason("your_answer_scale"))
            return
        unit = parse_unit(answer) or answer
        if unit not in UNITS or UNITS[unit].dimension != UNITS[stored].dimension:
            choices = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
            why = reason("ask_unit_again", answer=answer, stored=stored)
            self.asker.again(f"{proposed.column}.unit", why, choices)
            return
        proposed.row["unit"] = unit
        proposed.reasons.append(reason("your_answer_unit", unit=unit))

    def _numbers(self, proposed: ColumnProposal) -> np.ndarray:
        """Return the sample values of a column as numbers."""
        thousands, decimal = str(self.layout.get("thousands") or ""), str(self.layout.get("decimal", "."))
        cells = [
            c.replace(thousands, "") if thousands else c for s in proposed.row["from"] for c in self.cells.get(s, [])
        ]
        texts = [c.replace(decimal, ".") for c in cells if is_number(c)]
        return np.array([float(t) for t in texts if re.match(r"^[+-]?[\d.]+([eE][+-]?\d+)?$", t) and t.count(".") <= 1])

    def _range(self, proposed: ColumnProposal) -> Reason:
        numbers = self._numbers(proposed)
        if not numbers.size:
            return reason("no_values")
        return reason("values_between", low=float(numbers.min()), high=float(numbers.max()))

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
            self._ask_unit(proposed, key, stored, ASK_IMPLAUSIBLE, source=source, unit=unit, median=median)

    def _bounds(self, column: str) -> tuple[float | None, float | None]:
        """Return the plausible (low, high) of a table column in its stored unit; None for no bound."""
        if column in self.catalogue:
            return self.catalogue[column].low, self.catalogue[column].high
        if column in {"truck_full_t", "truck_empty_t", "delivered_t", "clean_t"}:
            return 1.0, 60.0 if column != "truck_full_t" else 120.0
        for schema in CONTRACTS.values():
            if column in schema.columns():
                found = schema.columns()[column]
                return getattr(found, "min", None), getattr(found, "max", None)
        return None, None
