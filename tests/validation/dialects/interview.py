"""Dialogue about an invented file: propose, answer from the truth, propose again; and its score."""

from dataclasses import dataclass, field
from pathlib import Path

from tests.validation.dialects.judge import difference, is_right, rows_read
from tests.validation.dialects.oracle import Oracle, TableTruth, names_by_position
from tests.validation.dialects.truth import DialectFile
from transforms.config.settings_catalogue import Catalogue
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.propose.proposal import ColumnProposal, Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import FormatGuess, sniff

MAX_ROUNDS = 8
SURE = 0.95


@dataclass
class FileScore:
    """Score of one file.

    Attributes:
        file: its name, with the seed of its office.
        kinds: its kinds.
        outcomes: (kind.column, outcome) of each meaningful column; outcomes are those of `OUTCOMES`.
        spurious: table columns proposed without asking that the file does not contain.
        asked: keys of the questions.
        unanswerable: keys of the questions that the truth cannot answer with the choices given.
        is_wrong_kind: True if it took the file for another kind without asking.
        is_saved: True if no question stays open and the mapping is valid.
        sure: for each proposal of at least 95 % before any answer, True if it is right.
        trouble: first reason for which the accepted rows differ from the truth; empty if they are equal.
    """

    file: str
    kinds: list[str]
    outcomes: list[tuple[str, str]] = field(default_factory=list)
    spurious: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    unanswerable: list[str] = field(default_factory=list)
    is_wrong_kind: bool = False
    is_saved: bool = False
    sure: list[bool] = field(default_factory=list)
    trouble: str = ""


RIGHT, RIGHT_ASKED, WRONG, WRONG_ASKED, NOT_PLACED = "right", "right asked", "wrong", "wrong asked", "not placed"
OUTCOMES = (RIGHT, RIGHT_ASKED, WRONG, WRONG_ASKED, NOT_PLACED)


def interview(file: DialectFile, path: Path, catalogue: Catalogue, zone: str, seed: int) -> FileScore:
    """Return the score of a file: propose a mapping, answer all questions from the truth, and read it."""
    score = FileScore(f"{seed}/{file.name}", file.kinds())
    try:
        sniffed = sniff(path)
        first = propose(sniffed, path, catalogue, zone, {})
    except (SourceFileError, WorkspaceError) as problem:
        score.trouble = f"cannot be sniffed: {problem}"
        score.outcomes = [
            (f"{k.kind}.{c}", NOT_PLACED)
            for t in file.tables
            for k in t.truths
            for c in TableTruth(file, t, k, [None] * len(t.columns)).columns()
        ]
        return score
    truths = _truths(file, sniffed)
    target = next((t for t in truths if t.truth.kind == first.kind), truths[0])
    last = _answered(target, sniffed, path, catalogue, zone, score)
    score.is_wrong_kind = first.kind not in score.kinds and "kind" not in score.asked
    _count_outcomes(truths, target, last, sniffed, score)
    if first.kind == target.truth.kind:
        score.sure = [_is_right_proposal(target, c, sniffed) for c in first.columns if c.confidence >= SURE]
    else:
        score.sure = [False for c in first.columns if c.confidence >= SURE]
    _read(truths, target, last, path, catalogue, score)
    return score


def _truths(file: DialectFile, sniffed: FormatGuess) -> list[TableTruth]:
    """Return the truths of a file, those of the table that the program looked at first."""
    sheet = sniffed.layout.get("sheet")
    tables = sorted(file.tables, key=lambda t: t.sheet[:31] != sheet)
    out = []
    for table in tables:
        is_seen = len(tables) == 1 or table.sheet[:31] == sheet
        names = names_by_position(table, sniffed.columns) if is_seen else [None] * len(table.columns)
        out += [TableTruth(file, table, truth, names) for truth in table.truths]
    return out


def _answered(
    target: TableTruth, sniffed: FormatGuess, path: Path, catalogue: Catalogue, zone: str, score: FileScore
) -> Proposal:
    """Answer questions until none is left that has an answer; return the last proposal."""
    oracle, answers = Oracle(target), dict[str, str]()
    proposal = propose(sniffed, path, catalogue, zone, answers)
    for _ in range(MAX_ROUNDS):
        new = [q for q in proposal.questions if q.key not in score.asked]
        if not new:
            break
        for question in new:
            score.asked.append(question.key)
            answer = oracle.answer(question)
            if answer is None:
                score.unanswerable.append(question.key)
            else:
                answers[question.key] = answer
        proposal = propose(sniffed, path, catalogue, zone, answers)
    repeated = [q.key for q in proposal.questions if q.key not in score.unanswerable]
    score.unanswerable += repeated
    return proposal


def _is_right_proposal(truth: TableTruth, proposed: ColumnProposal, sniffed: FormatGuess) -> bool:
    return proposed.column in truth.columns() and is_right(truth, proposed.column, proposed.row, sniffed)


def _is_asked(column: str, asked: list[str]) -> bool:
    is_time = column.endswith("_at") and "time_zone" in asked
    return is_time or any(k == column or k.startswith(f"{column}.") for k in asked)


def _count_outcomes(
    truths: list[TableTruth], target: TableTruth, last: Proposal, sniffed: FormatGuess, score: FileScore
) -> None:
    """Record the outcome of each meaningful column, and proposals for which the file has no column."""
    proposed = {c.column: c for c in last.columns} if last.kind == target.truth.kind else {}
    for truth in truths:
        for column in sorted(truth.columns()):
            found = proposed.get(column) if truth is target else None
            asked = _is_asked(column, score.asked)
            outcome = NOT_PLACED
            if found is not None:
                has_it = is_right(truth, column, found.row, sniffed)
                outcome = (RIGHT_ASKED if asked else RIGHT) if has_it else (WRONG_ASKED if asked else WRONG)
            score.outcomes.append((f"{truth.truth.kind}.{column}", outcome))
    known = target.columns()
    score.spurious = [
        f"{last.kind}.{c} from {p.row.get('from')}"
        for c, p in proposed.items()
        if c not in known and not _is_asked(c, score.asked)
    ]


def _read(
    truths: list[TableTruth], target: TableTruth, last: Proposal, path: Path, catalogue: Catalogue, score: FileScore
) -> None:
    """Read the file through the mapping and compare its rows with the truth."""
    if last.questions:
        score.trouble = f"questions stay open: {', '.join(q.key for q in last.questions)}"
        return
    rows = rows_read(path, last.table(), catalogue)
    if isinstance(rows, str) and not rows[:1].isdigit():
        score.trouble = rows
        return
    score.is_saved = True
    others = [t.truth.kind for t in truths if t is not target]
    if isinstance(rows, str):
        score.trouble = rows
    elif last.kind != target.truth.kind:
        score.trouble = f"read as {last.kind}"
    else:
        score.trouble = difference(rows, target.truth.rows) or (f"no rows of {', '.join(others)}" if others else "")
