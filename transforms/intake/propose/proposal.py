"""Proposes a mapping for an export, with a reason and a confidence a column, and asks what it cannot know."""

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from transforms.catalogue import Catalogue
from transforms.contracts import CONTRACTS, DEFAULTS, contract, needed_columns
from transforms.intake.mapping import OWN_COLUMNS
from transforms.intake.propose.matching import Name, known_names, match, paired, plain_words
from transforms.intake.propose.sniff import Sniffed, is_number
from transforms.intake.propose.times import time_form
from transforms.units import UNITS, factor_between, stored_unit, unit_of_text

SURE = 0.75
SKIP = "skip"


@dataclass(frozen=True)
class Question:
    """Something only the person knows.

    Attributes:
        key: what is asked for, as `--answer KEY=VALUE` names it.
        text: the question.
        choices: answers that would do; empty where any may.
        guess: the likeliest; empty where there is none. Never a unit.
    """

    key: str
    text: str
    choices: tuple[str, ...] = ()
    guess: str = ""


@dataclass
class ColumnProposal:
    """How one column of ours would be read."""

    column: str
    row: dict[str, Any]
    confidence: float
    reasons: list[str]


@dataclass
class Proposal:
    """A mapping, as far as it is known, and the questions left.

    Attributes:
        kind: the kind of file.
        layout: the mapping's keys but `columns`.
        columns: in order of the contract.
        questions: what must be answered before it can be saved.
        unread: the file's columns that no column of ours needs.
    """

    kind: str
    layout: dict[str, Any]
    columns: list[ColumnProposal] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)

    def table(self) -> dict[str, Any]:
        """The mapping as TOML would hold it."""
        return {"kind": self.kind, **self.layout, "columns": {c.column: c.row for c in self.columns}}


class _Proposer:
    """Works a proposal out from what was sniffed and answered."""

    def __init__(self, sniffed: Sniffed, path: Path, catalogue: Catalogue, zone: str, answers: dict[str, str]) -> None:
        self.sniffed, self.path, self.catalogue, self.zone, self.answers = sniffed, path, catalogue, zone, answers
        self.names = paired(sniffed.columns)
        self.cells = {c: [r[i] for r in sniffed.rows if i < len(r) and r[i]] for i, c in enumerate(sniffed.columns)}
        self.questions: list[Question] = []
        self.layout: dict[str, Any] = {"files": [files_pattern(path)], **sniffed.layout}
        self.extra = {n: [s.label] for n, s in catalogue.items()}

    def ask(self, key: str, text: str, choices: list[str] | None = None, guess: str = "") -> str | None:
        """Return the answer, or note the question."""
        if key in self.answers:
            return self.answers[key]
        if all(q.key != key for q in self.questions):
            self.questions.append(Question(key, text, tuple(choices or ()), guess))
        return None

    def _layout_questions(self) -> None:
        for key, (text, choices, guess) in self.sniffed.unsure.items():
            answer = self.ask(key, text, choices, guess)
            if answer is not None:
                self.layout[key] = answer
        if self.answers.get("decimal") and self.answers["decimal"] != self.sniffed.layout.get("decimal"):
            self.layout["thousands"] = self.sniffed.layout.get("decimal")

    def kind(self) -> tuple[str, float]:
        """The kind of file whose needed columns are found best."""
        if "kind" in self.answers:
            return self.answers["kind"], 1.0
        scores = {}
        for kind in known_names():
            if kind not in CONTRACTS:
                continue
            found = match(self.names, kind, self.extra)
            needed = [
                c
                for c in needed_columns(contract(kind, self.catalogue))
                if c not in {"machine_id", "site_id", "station_id"}
            ]
            hit = sum(found[c][1] for c in needed if c in found) / max(1, len(needed))
            scores[kind] = hit + 0.6 * sum(v[1] for v in found.values()) / max(1, len(self.names))
        ranked = sorted(scores, key=lambda k: -scores[k])
        first, second = ranked[0], ranked[1]
        sure = scores[first] > 0.5 and scores[first] - scores[second] > 0.15
        if not sure:
            self.ask("kind", "What does a row of this file tell of?", list(CONTRACTS), first)
        return first, 0.95 if sure else 0.5

    def propose(self) -> Proposal:
        """Work out the whole proposal."""
        self._layout_questions()
        kind, _ = self.kind()
        if kind not in CONTRACTS:
            self.questions.append(Question("kind", f"'{kind}' is no kind of file.", tuple(CONTRACTS)))
            return Proposal("load", self.layout, questions=self.questions)
        found = match(self.names, kind, self.extra)
        self._chosen_by_person(kind, found)
        proposal = Proposal(kind, self.layout, questions=self.questions, reasons=self.sniffed.reasons)
        used: set[str] = set()
        schema = contract(kind, self.catalogue)
        for column in schema.columns():
            if column in found and self.answers.get(column) != SKIP:
                made = self._column(column, *found[column], temporal=column.endswith("_at"))
                if made is not None:
                    proposal.columns.append(made)
                    used.update(made.row.get("from", []))
        self._needed(kind, proposal)
        order = list(schema.columns())
        proposal.columns.sort(key=lambda c: order.index(c.column))
        proposal.unread = [c for c in self.sniffed.columns if c not in used]
        return proposal

    def _chosen_by_person(self, kind: str, found: dict[str, tuple[Name, float, str]]) -> None:
        """Take over answers that name a file's column for a column of ours; doubtful matches are asked about."""
        by_source = {n.sources: n for n in self.names}
        for column in contract(kind, self.catalogue).columns():
            answer = self.answers.get(column)
            if answer and answer != SKIP and answer in self.cells:
                name = by_source.get((answer,)) or Name((answer,), tuple(plain_words(answer)), None)
                found[column] = (name, 1.0, "your answer")
        for column, (name, confidence, _) in list(found.items()):
            if confidence < SURE and column not in self.answers:
                source = " / ".join(name.sources)
                shown = ", ".join(self.cells.get(name.sources[0], [])[:3])
                text = f"Is '{source}' ({shown}) the {column}? Answer with a column of the file, or '{SKIP}'."
                self.ask(column, text, [*self.sniffed.columns, SKIP], name.sources[0])

    def _column(
        self, column: str, name: Name, confidence: float, phrase: str, *, temporal: bool
    ) -> ColumnProposal | None:
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
            answer = self.ask(
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
                    self.ask(
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
        answer = self.ask(
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
            answer = self.answers.get(f"{made.column}.{cell}")
            if meaning is None and answer is None:
                states = list(known_names()["states"])
                self.ask(f"{made.column}.{cell}", f"What does the state '{cell}' mean?", states)
            words[cell] = answer or meaning or "idle"
        if any(k != v for k, v in words.items()):
            made.row["words"] = words
        made.reasons.append(f"{len(words)} states")

    def _unit(self, made: ColumnProposal, name: Name) -> None:
        """The unit a column is in: read off the unit row or the name, else asked for; never guessed."""
        stored = str(stored_unit(made.column))
        source = name.sources[0]
        key = f"{made.column}.unit"
        answer = self.answers.get(key)
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
                scale = self.ask(
                    f"{made.column}.full_scale",
                    f"'{source}' is in percent, {made.column} in {stored}: how many {stored} are 100 %?",
                )
                made.row.update({"unit": "pct", "full_scale": float(scale) if scale and is_number(scale) else 100.0})
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
        self.ask(
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
            self.questions.append(
                Question(f"{made.column}.unit", f"'{answer}' cannot become {stored}.", tuple(choices))
            )
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

    def _needed(self, kind: str, proposal: Proposal) -> None:
        """Ask for needed columns that no column of the file seems to be."""
        have = {c.column for c in proposal.columns}
        for column in needed_columns(contract(kind, self.catalogue)):
            if column in have or column in DEFAULTS:
                continue
            answer = self.answers.get(column)
            if answer and answer.startswith("="):
                proposal.columns.append(
                    ColumnProposal(column, {"value": answer[1:]}, 1.0, ["one value for the whole file, as you said"])
                )
                continue
            pattern = _id_in_name(self.path.name) if column == "machine_id" else None
            if answer == "name" and pattern is not None:
                proposal.columns.append(
                    ColumnProposal(column, {"file_name": pattern}, 0.9, ["it stands in the file's name"])
                )
                continue
            shown = ""
            if pattern is not None and (hit := re.search(pattern, self.path.name)):
                shown = f" 'name' takes it from the file's name (here '{hit.group(1)}')."
            self.ask(column, f"Which column is the {column}?{shown} '=TEXT' gives one value for the whole file.",
                     self.sniffed.columns, "name" if shown else "")  # fmt: skip


def _id_in_name(name: str) -> str | None:
    """A pattern for what looks like a number of a machine in a file's name."""
    found = re.search(r"(?:^|[_\-. ])([A-Za-z]{1,4}\d{1,5})(?=[_\-. ])", name)
    if found is None:
        return None
    letters = re.sub(r"\d", "", found.group(1))
    return rf"(?:^|[_\-. ])({re.escape(letters)}\d+)(?=[_\-. ])"


def files_pattern(path: Path) -> str:
    """The file's name with its numbers left open: the exports to come."""
    stem = re.sub(r"\d+", "*", re.sub(r"[\[\]?*]", "?", path.stem))
    return re.sub(r"\*[\*_\-. ]*\*", "*", stem) + path.suffix


def propose(sniffed: Sniffed, path: Path, catalogue: Catalogue, zone: str, answers: dict[str, str]) -> Proposal:
    """Propose a mapping.

    Args:
        sniffed: how the file is laid out.
        path: the file.
        catalogue: the settings known.
        zone: the season's time zone, the likeliest guess for times without one; it is asked about all the same.
        answers: question key -> answer.
    """
    if sniffed.form in OWN_COLUMNS:
        kind = {"ghcn_daily": "weather_reading", "iso11783": "telemetry"}[sniffed.form]
        layout: dict[str, Any] = {"files": [files_pattern(path)], "form": sniffed.form}
        if sniffed.form == "iso11783":
            layout["time_zone"] = zone
        rows = OWN_COLUMNS[sniffed.form]
        says = ["the form says it itself"]
        columns = [ColumnProposal(c, {"from": [r["from"]]}, 0.95, says) for c, r in rows.items()]
        return Proposal(kind, layout, columns, unread=sniffed.columns, reasons=sniffed.reasons)
    return _Proposer(sniffed, path, catalogue, zone, answers).propose()
