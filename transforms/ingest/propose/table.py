"""One table of a file with all that a proposal needs of it."""

import datetime as dt
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.mapping import TOTALS
from transforms.ingest.propose.clock_pairs import pair_clocks
from transforms.ingest.propose.header import Name, parse_names
from transforms.ingest.propose.lexicon import Lexicon, package_lexicon
from transforms.ingest.propose.plausible import Plausibility
from transforms.ingest.propose.profile import ColumnProfile, profile_columns
from transforms.ingest.propose.sniff import FormatGuess
from transforms.ingest.propose.totals import without_totals

CELLS = 60_000
"""Maximum cells of the sample; a wide file has fewer rows in it."""
MIN_ROWS = 30


@dataclass(frozen=True)
class ProposalContext:
    """Knowledge beside the file.

    Attributes:
        catalogue: the machine settings of the workspace.
        zone: time zone of the season, the default answer for times without a time zone.
        known: ids that the workspace already has, by column such as `load_id`.
        lexicon: vocabulary.
        siblings: (name, columns) of files with like names, which may be of the same dialect.
    """

    catalogue: Catalogue
    zone: str
    known: dict[str, frozenset[str]] = field(default_factory=dict)
    lexicon: Lexicon = field(default_factory=package_lexicon)
    siblings: tuple[tuple[str, frozenset[str]], ...] = ()


@dataclass(frozen=True)
class SourceTable:
    """Table of a file: its format, the parsed names and the profiles of its columns, and their plausibility."""

    sniffed: FormatGuess
    path: Path
    names: list[Name]
    profiles: dict[str, ColumnProfile]
    plausibility: Plausibility

    def name_of(self, column: str) -> Name:
        """Return the name of one column of the file."""
        return self._names.get(column) or Name((column,), ())

    @cached_property
    def _names(self) -> dict[str, Name]:
        return {n.sources[0]: n for n in self.names if len(n.sources) == 1}


def read_table(sniffed: FormatGuess, path: Path, context: ProposalContext, answers: dict[str, str]) -> SourceTable:
    """Return the table with the profiles of its columns, given the answers about number marks."""
    decimal = answers.get("decimal") or str(sniffed.layout.get("decimal", "."))
    thousands = str(sniffed.layout.get("thousands") or "")
    if decimal != sniffed.layout.get("decimal", "."):
        thousands = str(sniffed.layout.get("decimal", "."))
    rows, total_words = without_totals(sniffed.rows[: max(MIN_ROWS, CELLS // max(1, len(sniffed.columns)))])
    if total_words:
        sniffed.layout["totals"] = list(dict.fromkeys([*TOTALS, *total_words]))
    profiles = profile_columns(sniffed.columns, rows, decimal, thousands)
    made_at = dt.datetime.fromtimestamp(path.stat().st_mtime) if path.exists() else None  # noqa: DTZ006
    plausibility = Plausibility(profiles, sniffed.units, context.catalogue, context.known, made_at)
    names = pair_clocks(parse_names(sniffed.columns, context.lexicon), profiles, sniffed.columns)
    return SourceTable(sniffed, path, names, profiles, plausibility)
