"""Proposals of the program for a file, in the form in which the dialogue of `map` shows them."""

from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from tests.validation.dialects.oracle import TableTruth, names_by_position
from tests.validation.dialects.truth import DialectFile
from transforms.ingest.propose.proposal import Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import FormatGuess, sniff
from transforms.ingest.propose.table import ProposalContext


@dataclass(frozen=True)
class Proposed:
    """Proposal for one kind of rows in a table of a file.

    Attributes:
        proposal: the proposal.
        sniffed: the detected format of the table.
        truth: the truth of the kind; of another kind in the same table if the proposed one is wrong.
    """

    proposal: Proposal
    sniffed: FormatGuess
    truth: TableTruth

    def is_kind_right(self) -> bool:
        """Return True if the kind is that of the truth."""
        return self.proposal.kind == self.truth.truth.kind

    def own_key(self, key: str) -> str:
        """Return the key of a question without the prefixes that distinguish the mappings of a file."""
        return key.removeprefix(f"{self.proposal.layout.get('sheet')}:").removeprefix(f"{self.proposal.kind}:")


class Dialogue:
    """Dialogue about one file.

    Args:
        file: the file and its truth.
        path: where it was written.
        context: the knowledge of the program beside the file.
    """

    def __init__(self, file: DialectFile, path: Path, context: ProposalContext) -> None:
        self.file, self.path, self.catalogue, self.context = file, path, context.catalogue, context

    def propose(self, answers: dict[str, str]) -> list[Proposed]:
        """Return the proposals of the program, given the answers so far.

        Raises:
            SourceFileError: the program finds no table in the file.
        """
        tables = sniff(self.path, answers.get("encoding"))
        proposals = propose(tables, self.path, self.context, answers)
        return [self._compared(p, tables) for p in proposals]

    def _compared(self, proposal: Proposal, tables: list[FormatGuess]) -> Proposed:
        """Return a proposal with the table that it reads and its truth."""
        sheet = proposal.layout.get("sheet")
        sniffed = next((t for t in tables if t.layout.get("sheet") == sheet), tables[0])
        return Proposed(proposal, sniffed, self._truth(proposal, sniffed))

    @staticmethod
    def prefix(proposed: Proposed, proposals: list[Proposed]) -> str:
        """Return the prefix of answers that concern one of several mappings of a file."""
        sheets = [p.proposal.layout.get("sheet") for p in proposals]
        sheet = proposed.proposal.layout.get("sheet")
        first = proposals[sheets.index(sheet)]
        of_sheet = f"{sheet}:" if len(set(sheets)) > 1 else ""
        return of_sheet + ("" if proposed is first else f"{proposed.proposal.kind}:")

    def _truth(self, proposal: Proposal, sniffed: FormatGuess) -> TableTruth:
        """Return the truth that a proposal is compared with."""
        # The program names sheets with numbers by a pattern, such as "Sheet*".
        tables = [t for t in self.file.tables if fnmatchcase(t.sheet[:31], sniffed.first_sheet)] or self.file.tables[:1]
        names = names_by_position(tables[0], sniffed.columns)
        truths = [TableTruth(self.file, tables[0], truth, names) for truth in tables[0].truths]
        return next((t for t in truths if t.truth.kind == proposal.kind), truths[0])
