"""Proposal of a mapping for an export, with reasons, confidence per column, and questions."""

import re
from pathlib import Path
from typing import Any

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import reason
from transforms.contracts.required_columns import ONE_NEEDED, needed_columns, unmet_groups
from transforms.contracts.source_tables import CONTRACTS, DEFAULTS, contract
from transforms.ingest.mapping_file import OWN_COLUMNS
from transforms.ingest.propose.columns import ColumnReader
from transforms.ingest.propose.matching import (
    Match,
    Name,
    NameIndex,
    is_doubtful_weight,
    known_names,
    match,
    parse_column_names,
    plain_words,
)
from transforms.ingest.propose.proposal import Asker, ColumnProposal, Proposal
from transforms.ingest.propose.sniff import FormatGuess

SURE = 0.75
SKIP = "skip"


class _Proposer:
    """Builder of a proposal from the detected format and the answers."""

    def __init__(
        self, sniffed: FormatGuess, path: Path, catalogue: Catalogue, zone: str, answers: dict[str, str]
    ) -> None:
        self.sniffed, self.path, self.catalogue, self.zone, self.answers = sniffed, path, catalogue, zone, answers
        self.names = parse_column_names(sniffed.columns)
        self.index = NameIndex(self.names)
        self.asker = Asker(answers)
        self.layout: dict[str, Any] = {"files": [files_pattern(path)], **sniffed.layout}
        self.extra = {n: [s.label] for n, s in catalogue.items()}
        self.reader = ColumnReader(sniffed, self.layout, catalogue, zone, self.asker)

    def _layout_questions(self) -> None:
        """Apply answers about the layout, and ask about uncertain layout keys."""
        for key, (why, choices, guess) in self.sniffed.unsure.items():
            answer = self.asker.ask(key, why, choices, guess)
            if answer is not None:
                self.layout[key] = answer
        if self.answers.get("decimal") and self.answers["decimal"] != self.sniffed.layout.get("decimal"):
            self.layout["thousands"] = self.sniffed.layout.get("decimal")
        if self.layout.get("separator") and self.layout["separator"] == self.layout.get("decimal"):
            self.layout["quoted"] = True

    def kind(self) -> tuple[str, float]:
        """Return (kind of file whose required columns match best, confidence)."""
        if "kind" in self.answers:
            return self.answers["kind"], 1.0
        scores = {}
        for kind in known_names():
            if kind not in CONTRACTS:
                continue
            found = match(self.index, kind, self.extra)
            needed = [
                ((c,),)
                for c in needed_columns(contract(kind, self.catalogue))
                if c not in {"machine_id", "site_id", "station_id"}
            ]
            groups = [*needed, *ONE_NEEDED.get(kind, ())]
            score = {c: m.confidence for c, m in found.items()}
            hits = [max(min(score.get(c, 0.0) for c in alternative) for alternative in group) for group in groups]
            hit = sum(hits) / max(1, len(hits))
            scores[kind] = hit + 0.6 * sum(m.confidence for m in found.values()) / max(1, len(self.names))
        ranked = sorted(scores, key=lambda k: -scores[k])
        first, second = ranked[0], ranked[1]
        is_sure = scores[first] > 0.5 and scores[first] - scores[second] > 0.15
        if not is_sure:
            self.asker.ask("kind", reason("ask_kind"), list(CONTRACTS), first)
        return first, 0.95 if is_sure else 0.5

    def propose(self) -> Proposal:
        """Return the proposal with its open questions."""
        self._layout_questions()
        kind, _ = self.kind()
        if kind not in CONTRACTS:
            self.asker.again("kind", reason("ask_kind_again", name=kind), list(CONTRACTS))
            return Proposal("load", self.layout, questions=self.asker.questions)
        found = match(self.index, kind, self.extra)
        self._apply_answers(kind, found)
        proposal = Proposal(kind, self.layout, questions=self.asker.questions, reasons=self.sniffed.reasons)
        used: set[str] = set()
        schema = contract(kind, self.catalogue)
        for column in schema.columns():
            if column in found and self.answers.get(column) != SKIP:
                proposed = self.reader.column(column, *found[column], temporal=column.endswith("_at"))
                proposal.columns.append(proposed)
                used.update(proposed.row.get("from", []))
        self._needed(kind, proposal)
        order = list(schema.columns())
        proposal.columns.sort(key=lambda c: order.index(c.column))
        proposal.unread = [c for c in self.sniffed.columns if c not in used]
        return proposal

    def _apply_answers(self, kind: str, found: dict[str, Match]) -> None:
        """Apply answers that name a file column for a table column, and ask about uncertain matches."""
        by_source = {n.sources: n for n in self.names}
        for column in contract(kind, self.catalogue).columns():
            answer = self.answers.get(column)
            if answer and answer != SKIP and answer in self.reader.cells:
                name = by_source.get((answer,)) or Name((answer,), tuple(plain_words(answer)), None)
                found[column] = Match(name, 1.0, None)
        answered = {found[c].name.sources for c in found if self.answers.get(c)}
        for column in [c for c in found if not self.answers.get(c) and found[c].name.sources in answered]:
            del found[column]
        for column, (name, confidence, phrase) in list(found.items()):
            if confidence < SURE and column not in self.answers:
                source = " / ".join(name.sources)
                shown = ", ".join(self.reader.cells.get(name.sources[0], [])[:3])
                code = "ask_weight" if is_doubtful_weight(phrase) else "ask_match"
                why = reason(code, source=source, examples=shown, column=column, skip=SKIP)
                self.asker.ask(column, why, [*self.sniffed.columns, SKIP], name.sources[0])

    def _needed(self, kind: str, proposal: Proposal) -> None:
        """Ask about required columns that match no column of the file."""
        have = {c.column for c in proposal.columns}
        for column in needed_columns(contract(kind, self.catalogue)):
            if column in have or column in DEFAULTS:
                continue
            answer = self.answers.get(column)
            if answer and answer.startswith("="):
                proposal.columns.append(
                    ColumnProposal(column, {"value": answer[1:]}, 1.0, [reason("your_answer_for_file")])
                )
                continue
            pattern = _id_in_name(self.path.name) if column == "machine_id" else None
            if answer == "name" and pattern is not None:
                proposal.columns.append(ColumnProposal(column, {"file_name": pattern}, 0.9, [reason("in_file_name")]))
                continue
            hit = re.search(pattern, self.path.name) if pattern is not None else None
            why = (
                reason("ask_column_or_name", column=column, found=hit.group(1))
                if hit
                else reason("ask_column", column=column)
            )
            self.asker.ask(column, why, self.sniffed.columns, "name" if hit else "")
        for first, *others in unmet_groups(kind, have):
            shown = ", ".join(" + ".join(alternative) for alternative in others)
            self.asker.ask(first[0], reason("ask_one_of", column=first[0], others=shown), self.sniffed.columns)


def _id_in_name(name: str) -> str | None:
    """Return a pattern for a machine number in a file name; None if there is none."""
    found = re.search(r"(?:^|[_\-. ])([A-Za-z]{1,4}\d{1,5})(?=[_\-. ])", name)
    if found is None:
        return None
    letters = re.sub(r"\d", "", found.group(1))
    return rf"(?:^|[_\-. ])({re.escape(letters)}\d+)(?=[_\-. ])"


def files_pattern(path: Path) -> str:
    """Return a file name pattern that matches future exports, with wildcards for numbers."""
    stem = re.sub(r"\d+", "*", re.sub(r"[\[\]?*]", "?", path.stem))
    return re.sub(r"\*[\*_\-. ]*\*", "*", stem) + path.suffix


def propose(sniffed: FormatGuess, path: Path, catalogue: Catalogue, zone: str, answers: dict[str, str]) -> Proposal:
    """Return a proposed mapping with its open questions.

    Args:
        sniffed: detected format of the file.
        path: the file.
        catalogue: the machine settings of the workspace.
        zone: time zone of the season, the default answer for times without a time zone.
        answers: question key -> answer.
    """
    if sniffed.form in OWN_COLUMNS:
        kind = {"ghcn_daily": "weather_reading", "iso11783": "telemetry"}[sniffed.form]
        layout: dict[str, Any] = {"files": [files_pattern(path)], "form": sniffed.form}
        if sniffed.form == "iso11783":
            layout["time_zone"] = zone
        rows = OWN_COLUMNS[sniffed.form]
        reasons = [reason("format_defines_columns")]
        columns = [ColumnProposal(c, {"from": [r["from"]]}, 0.95, reasons) for c, r in rows.items()]
        return Proposal(kind, layout, columns, unread=sniffed.columns, reasons=sniffed.reasons)
    return _Proposer(sniffed, path, catalogue, zone, answers).propose()
