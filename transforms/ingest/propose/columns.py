"""How one column of a file is read: the form of its times, the meaning of its words, its unit."""

import re
from typing import Any

import numpy as np

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import CONTRACTS
from transforms.contracts.units import UNITS, factor_between, stored_unit, unit_of_text
from transforms.ingest.propose.matching import Name, known_names, plain_words
from transforms.ingest.propose.proposal import Asker, ColumnProposal
from transforms.ingest.propose.sniff import FormatGuess, is_number
from transforms.ingest.propose.times import time_form


class ColumnReader:
    """Works out columns one by one.

    Args:
        sniffed: how the file is laid out.
        layout: the mapping's keys as they stand, answers taken in.
        catalogue: the settings known.
        zone: the likeliest zone of times that say none.
        asker: answers and open questions.
    """

    def __init__(
        self, sniffed: FormatGuess, layout: dict[str, Any], catalogue: Catalogue, zone: str, asker: Asker
    ) -> None:
        self.sniffed, self.layout, self.catalogue, self.zone, self.asker = sniffed, layout, catalogue, zone, asker
        self.cells = {c: [r[i] for r in sniffed.rows if i < len(r) and r[i]] for i, c in enumerate(sniffed.columns)}

    def column(self, column: str, name: Name, confidence: float, phrase: str, *, temporal: bool) -> ColumnProposal:
        """Return how a column of ours would be read from a name of the file."""
        row: dict[str, Any] = {"from": list(name.sources)}
        made = ColumnProposal(
            column, row, confidence, [f"named as '{phrase}' is" if phrase != "your answer" else phrase]
        )
        if len(name.sources) == 2 and not temporal:
            made.reasons.append("mean of left and right")
        if temporal:
            self._time(made)
        elif column in {"work_state", "cancelled"}:
            self._words(made)
        elif stored_unit(column) is not None:
            self._unit(made, name)
        return made

    def _time(self, made: ColumnProposal) -> None:
        """The form of a time, alone or as a date and a clock in two columns."""
        source = made.row["from"][0]
        cells = self.cells.get(source, [])
        form = time_form(cells)
        if form is None or ("%H" not in form.format and "%I" not in form.format):
            clock = next((c for c in self.sniffed.columns if c != source and self._is_clock(c)), None)
            if clock is not None:
                joined = [f"{a} {b}" for a, b in zip(self.cells[source], self.cells[clock], strict=False)]
                both = time_form(joined)
                if both is not None:
                    form, made.row["from"] = both, [source, clock]
                    made.reasons.append(f"date in '{source}', clock in '{clock}'")
        key = f"{made.column}.format"
        shown = ", ".join(cells[:3])
        if form is None:
            answer = self.asker.ask(
                key,
                f"In which form are the times of '{source}' ({shown})? Answer as strptime does, such as %d.%m.%Y %H:%M",
            )
            made.confidence = min(made.confidence, 0.3)
            if answer is not None:
                made.row["format"] = answer
        else:
            made.row["format"] = form.format
            made.reasons.append(f"every time has the form {form.format}")
            if form.rivals:
                choices = [form.format, *form.rivals[:3]]
                made.row["format"] = (
                    self.asker.ask(
                        key, f"The times of '{source}' ({shown}) fit more than one form: which?", choices, form.format
                    )
                    or form.format
                )
                made.confidence = min(made.confidence, 0.5)
        self._zone(made, says_zone=form is not None and form.utc)

    def _is_clock(self, column: str) -> bool:
        cells = self.cells.get(column, [])[:50]
        return bool(cells) and all(re.match(r"^\d{1,2}:\d{1,2}(:\d{1,2})?( ?[AaPp][Mm])?$", c) for c in cells)

    def _zone(self, made: ColumnProposal, *, says_zone: bool) -> None:
        if says_zone:
            made.row["time_zone"] = "UTC"
            made.reasons.append("the times say their own zone")
            return
        answer = self.asker.ask(
            "time_zone",
            "The times say no zone. Which clock were they read off? (an IANA zone, or UTC)",
            guess=self.zone,
        )
        made.row["time_zone"] = answer or self.zone
        made.confidence = min(made.confidence, 0.95 if answer else 0.5)

    def _words(self, made: ColumnProposal) -> None:
        """Words of a state: those known by meaning; others are asked about."""
        cells = sorted(set(self.cells.get(made.row["from"][0], [])))[:40]
        if made.column == "cancelled":
            made.row["words"] = {
                c: "false" if c.casefold() in {"0", "no", "nein", "n", "ne", "false"} else "true" for c in cells
            }
            made.reasons.append("any other word than no means cancelled")
            made.confidence = min(made.confidence, 0.7)
            return
        words: dict[str, str] = {}
        for cell in cells:
            meaning = next(
                (
                    s
                    for s, known in known_names()["states"].items()
                    if set(plain_words(cell)) & set(known) or cell.casefold() == s
                ),
                None,
            )
            answer = self.asker.answers.get(f"{made.column}.{cell}")
            if meaning is None and answer is None:
                states = list(known_names()["states"])
                self.asker.ask(f"{made.column}.{cell}", f"What does the state '{cell}' mean?", states)
            words[cell] = answer or meaning or "idle"
        if any(k != v for k, v in words.items()):
            made.row["words"] = words
        made.reasons.append(f"{len(words)} states")

    def _unit(self, made: ColumnProposal, name: Name) -> None:
        """The unit a column is in: read off the unit row or the name, else asked for; never guessed."""
        stored = str(stored_unit(made.column))
        source = name.sources[0]
        key = f"{made.column}.unit"
        answer = self.asker.answers.get(key)
        texts = [(self.sniffed.units.get(source), "the row of units"), (name.unit_text, "its name")]
        said = next(((unit_of_text(t), w, t) for t, w in texts if t and unit_of_text(t) is not None), None)
        if answer is not None:
            self._unit_answer(made, answer, stored)
            return
        alike = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        if said is None and alike == [stored]:
            made.row["unit"] = stored
            made.reasons.append(f"there is no other unit than {stored} of such values")
            return
        if said is None:
            self._ask_unit(made, key, f"In which unit is '{source}'", stored)
            return
        unit, where, text = str(said[0]), said[1], said[2]
        if UNITS[unit].dimension != UNITS[stored].dimension:
            if unit == "pct":
                scale = self.asker.ask(
                    f"{made.column}.full_scale",
                    f"'{source}' is in percent, {made.column} in {stored}: how many {stored} are 100 %?",
                )
                if scale is not None and not is_number(scale):
                    self.asker.again(
                        f"{made.column}.full_scale", f"'{scale}' is no number: how many {stored} are 100 %?"
                    )
                elif scale is not None:
                    made.row.update({"unit": "pct", "full_scale": float(scale.replace(",", "."))})
                made.reasons.append(f"percent by {where}")
                return
            self._ask_unit(
                made,
                key,
                f"{where} says '{text}' for '{source}', which cannot be {made.column}: in which unit is it",
                stored,
            )
            return
        made.row["unit"] = unit
        made.reasons.append(f"{unit} by {where} ('{text}')")
        self._plausible(made, key, unit, stored)

    def _ask_unit(self, made: ColumnProposal, key: str, text: str, stored: str) -> None:
        made.confidence = min(made.confidence, 0.4)
        choices = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
        self.asker.ask(
            key,
            f"{text} ({self._range(made)})? Or give the machine's own steps: 'steps 1=30, 9=70', in {stored}.",
            choices,
        )

    def _unit_answer(self, made: ColumnProposal, answer: str, stored: str) -> None:
        if answer.startswith("steps"):
            points = dict(re.findall(r"(-?[\d.]+)\s*=\s*(-?[\d.]+)", answer))
            made.row["steps"] = {k: float(v) for k, v in points.items()}
            made.reasons.append("the machine's own steps, as you said")
            return
        unit = unit_of_text(answer) or answer
        if unit not in UNITS or UNITS[unit].dimension != UNITS[stored].dimension:
            choices = [u for u, v in UNITS.items() if v.dimension == UNITS[stored].dimension]
            self.asker.again(f"{made.column}.unit", f"'{answer}' cannot become {stored}.", choices)
            return
        made.row["unit"] = unit
        made.reasons.append(f"{unit}, as you said")

    def _numbers(self, made: ColumnProposal) -> np.ndarray:
        thousands, decimal = str(self.layout.get("thousands") or ""), str(self.layout.get("decimal", "."))
        cells = [c.replace(thousands, "") if thousands else c for s in made.row["from"] for c in self.cells.get(s, [])]
        texts = [c.replace(decimal, ".") for c in cells if is_number(c)]
        return np.array([float(t) for t in texts if re.match(r"^[+-]?[\d.]+([eE][+-]?\d+)?$", t) and t.count(".") <= 1])

    def _range(self, made: ColumnProposal) -> str:
        numbers = self._numbers(made)
        return f"values from {numbers.min():g} to {numbers.max():g}" if numbers.size else "no values to see"

    def _plausible(self, made: ColumnProposal, key: str, unit: str, stored: str) -> None:
        """A stated unit that makes most values impossible is asked about: 27 in kilograms is no lorry."""
        numbers = self._numbers(made)
        numbers = numbers[numbers != 0]
        low, high = self._bounds(made.column)
        if not numbers.size or (low is None and high is None):
            return
        factor, offset = factor_between(unit, stored, where=made.column)
        median = float(np.median(numbers)) * factor + offset
        if (low is not None and median < low) or (high is not None and median > high):
            text = (
                f"'{made.row['from'][0]}' is said to be in {unit}, but then {median:g} {stored} is usual; in which unit"
            )
            self._ask_unit(made, key, f"{text} is it", stored)

    def _bounds(self, column: str) -> tuple[float | None, float | None]:
        if column in self.catalogue:
            return self.catalogue[column].low, self.catalogue[column].high
        if column in {"gross_t", "net_t"}:
            return 1.0, 60.0
        for schema in CONTRACTS.values():
            if column in schema.columns():
                found = schema.columns()[column]
                return getattr(found, "min", None), getattr(found, "max", None)
        return None, None
