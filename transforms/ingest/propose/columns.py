"""Proposals for single columns: time format, meaning of words, and unit."""

from typing import Any

from transforms.contracts.flag_words import parse_flag
from transforms.contracts.reason import reason
from transforms.contracts.units import stored_unit
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.plausible import FLAGS, WORD_COLUMNS
from transforms.ingest.propose.proposal import OPEN, Asker, ColumnProposal
from transforms.ingest.propose.table import ProposalContext, SourceTable
from transforms.ingest.propose.time_choice import TimeChooser
from transforms.ingest.propose.unit_choice import UnitChooser

QUESTION_CODES = ("ask_state", "ask_place", "ask_flag")
QUESTIONS = dict(zip(("states", "places", "flags"), QUESTION_CODES, strict=True))
"""Section of words -> code of the question about an unknown word."""
MAX_WORDS = 40


class ColumnReader:
    """Builder of column proposals.

    Args:
        table: the table of the file.
        context: knowledge beside the file.
        asker: answers and open questions.
    """

    def __init__(self, table: SourceTable, context: ProposalContext, asker: Asker) -> None:
        self.table, self.lexicon, self.asker = table, context.lexicon, asker
        self.units = UnitChooser(table, asker, context.zone)
        self.times = TimeChooser(table, context.zone, asker)

    def column(self, column: str, name: Name, confidence: float, why: list[Any]) -> ColumnProposal:
        """Return the proposal to read a table column from a named column of the file.

        Args:
            column: the table column.
            name: the parsed name of the file column.
            confidence: confidence of the match, 0 to 1.
            why: reasons for the match.
        """
        proposed = ColumnProposal(column, {"from": list(name.sources)}, confidence, list(why))
        if len(name.sources) == 2 and not column.endswith("_at"):
            proposed.reasons.append(reason("mean_of_sides"))
        if column.endswith("_at"):
            self.times.set_format(proposed, name)
        elif column in FLAGS:
            self._set_flag(proposed)
        elif column in WORD_COLUMNS:
            self._set_words(proposed, WORD_COLUMNS[column])
        elif stored_unit(column) is not None:
            self.units.set_unit(proposed, name)
        return proposed

    def _set_words(self, proposed: ColumnProposal, section: str) -> None:
        """Set the meaning of the words of a column; ask about unknown words."""
        words = self._meanings(proposed, section)
        if any(k != v for k, v in words.items()):
            proposed.row["words"] = words
        proposed.reasons.append(reason("words_known", n=len(words)))

    def _set_flag(self, proposed: ColumnProposal) -> None:
        """Set the meaning of the words of an on-off value, unless they are those that every mapping knows."""
        profile = self.table.profiles[proposed.row["from"][0]]
        if profile.is_numeric and all(parse_flag(c, proposed.column) is not None for c in profile.distinct):
            return
        meanings = self._meanings(proposed, "flags")
        if meanings:
            proposed.row["words"] = {c: m == "true" for c, m in meanings.items()}
        proposed.reasons.append(reason("words_known", n=len(meanings)))

    def _meanings(self, proposed: ColumnProposal, section: str) -> dict[str, str]:
        """Return word -> meaning, and ask about unknown words; answers may name words that the sample lacks."""
        words: dict[str, str] = {}
        choices = list(self.lexicon.sections[section])
        found = sorted(self.table.profiles[proposed.row["from"][0]].distinct)[:MAX_WORDS]
        for cell in dict.fromkeys([*found, *self.asker.answered_words(proposed.column, choices)]):
            flag = parse_flag(cell, proposed.column) if section == "flags" else None
            known = str(flag).lower() if flag is not None else self.lexicon.meaning(section, cell)
            meaning = self.asker.answer(f"{proposed.column}.{cell}") or known
            if meaning is None:
                why = reason(QUESTIONS[section], word=cell, column=proposed.column)
                self.asker.ask(f"{proposed.column}.{cell}", why, choices, example=cell)
                proposed.confidence = min(proposed.confidence, OPEN)
            else:
                words[cell] = meaning
        return words
