"""Small invented exports, and the mappings that are proposed for them."""

from collections.abc import Iterable
from pathlib import Path

from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.propose.proposal import ColumnProposal, Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import sniff
from transforms.ingest.propose.table import ProposalContext

ROWS = range(24)


def write_export(path: Path, header: str, rows: Iterable[str], encoding: str = "utf-8") -> Path:
    """Write an export of a header line and rows; return its path."""
    path.write_bytes("\n".join([header, *rows, ""]).encode(encoding))
    return path


def proposals(
    path: Path,
    *,
    zone: str = "Europe/Berlin",
    known: dict[str, set[str]] | None = None,
    encoding: str | None = None,
    **answers: str,
) -> list[Proposal]:
    """Return the proposals for a file, with answers by key."""
    ids = {column: frozenset(values) for column, values in (known or {}).items()}
    if encoding is not None:
        answers["encoding"] = encoding
    return propose(sniff(path, encoding), path, ProposalContext(load_catalogue(), zone, ids), answers)


def proposal(path: Path, **given: str) -> Proposal:
    """Return the only proposal for a file."""
    (only,) = proposals(path, **given)
    return only


def sources(proposed: Proposal) -> dict[str, list[str]]:
    """Return table column -> columns of the file."""
    return {c.column: c.row["from"] for c in proposed.columns if "from" in c.row}


def column(proposed: Proposal, name: str) -> ColumnProposal:
    """Return one proposed column."""
    return next(c for c in proposed.columns if c.column == name)


def asked(proposed: Proposal) -> dict[str, str]:
    """Return question key -> guess."""
    return {q.key: q.guess for q in proposed.questions}
