"""Proposals for single columns: time format, meaning of words, and unit."""

from typing import Any

from transforms.contracts.reason import reason
from transforms.contracts.units import stored_unit
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.plausible import FLAGS, WORD_COLUMNS
from transforms.ingest.propose.proposal import Asker, ColumnProposal
from transforms.ingest.propose.table import ProposalContext, SourceTable
from transforms.ingest.propose.time_choice import TimeChooser
from transforms.ingest.propose.unit_choice import UnitChooser

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
        self.units = UnitChooser(table, asker)
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
        elif column in WORD_COLUMNS:
            self._set_words(proposed, WORD_COLUMNS[column])
        elif column in FLAGS:
            self._set_flag(proposed)
        elif stored_unit(column) is not None:
            self.units.set_unit(proposed, name)
        return proposed

    def _set_words(self, proposed: ColumnProposal, section: str) -> None:
        """Set the meaning of the words of a column; ask about unknown words."""
        cells = sorted(self.table.profiles[proposed.row["from"][0]].distinct)[:MAX_WORDS]
        meanings = list(self.lexicon.sections[section])
        codes = {"states": "ask_state", "places": "ask_place", "flags": "ask_flag"}
        words: dict[str, str] = {}
        for cell in cells:
            key = f"{proposed.column}.{cell}"
            meaning = self.asker.answer(key) or self.lexicon.meaning(section, cell)
            if meaning is None:
                why = reason(codes[section], word=cell, column=proposed.column)
                self.asker.ask(key, why, meanings, example=cell)
            else:
                words[cell] = meaning
        if section == "flags" or any(k != v for k, v in words.items()):
            proposed.row["words"] = words
        proposed.reasons.append(reason("words_known", n=len(words)))

    def _set_flag(self, proposed: ColumnProposal) -> None:
        """Set the meaning of the words of an on-off value; numbers are read as they are."""
        profile = self.table.profiles[proposed.row["from"][0]]
        if profile.is_numeric or not profile.filled:
            return
        cells = sorted(profile.distinct)[:MAX_WORDS]
        words: dict[str, float] = {}
        for cell in cells:
            key = f"{proposed.column}.{cell}"
            meaning = self.asker.answer(key) or self.lexicon.meaning("flags", cell)
            if meaning is None:
                why = reason("ask_flag", word=cell, column=proposed.column)
                self.asker.ask(key, why, ["true", "false"], example=cell)
            else:
                words[cell] = 1.0 if meaning in {"true", "1"} else 0.0
        proposed.row["words"] = words
        proposed.reasons.append(reason("words_known", n=len(words)))
