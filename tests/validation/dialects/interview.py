"""Interview about an invented file: propose, answer from the truth, propose again; and its score."""

from dataclasses import dataclass, field
from pathlib import Path

from tests.validation.dialects.dialogue import Dialogue, Proposed
from tests.validation.dialects.judge import ReadRows, difference, is_right, rows_read
from tests.validation.dialects.oracle import Oracle
from tests.validation.dialects.truth import DialectFile, KindTruth
from tests.validation.dialects.truth_mapping import table_truths
from transforms.config.settings_catalogue import Catalogue
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.propose.proposal import ColumnProposal, MappingQuestion
from transforms.ingest.propose.table import ProposalContext

MAX_ROUNDS = 8
SURE = 0.95
RIGHT, RIGHT_ASKED, WRONG, WRONG_ASKED, NOT_PLACED = "right", "right asked", "wrong", "wrong asked", "not placed"
OUTCOMES = (RIGHT, RIGHT_ASKED, WRONG, WRONG_ASKED, NOT_PLACED)


@dataclass
class FileScore:
    """Score of one file.

    Attributes:
        file: its name, with the seed of its office.
        kinds: its kinds.
        outcomes: (kind.column, outcome) of each meaningful column; outcomes are those of `OUTCOMES`.
        spurious: table columns proposed without asking that the file does not contain.
        asked: keys of the questions.
        offered: keys of the columns that are offered as not placed, with ignoring as the answer by default.
        asked_of: (kind, key) of the questions about each kind.
        answers: key -> answer.
        unanswerable: keys of the questions that the truth cannot answer with the choices given.
        is_wrong_kind: True if the program took the file for another kind without asking.
        is_saved: True if no question stays open and the mappings are valid.
        proposed: (kind.column, confidence, True if it is right) of each proposal before any answer.
        trouble: first reason for which the accepted rows differ from the truth; empty if they are equal.
        left_trouble: trouble that remains after the person has placed the columns that the program did not place.
    """

    file: str
    kinds: list[str]
    outcomes: list[tuple[str, str]] = field(default_factory=list)
    spurious: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    offered: list[str] = field(default_factory=list)
    asked_of: set[tuple[str, str]] = field(default_factory=set)
    answers: dict[str, str] = field(default_factory=dict)
    unanswerable: list[str] = field(default_factory=list)
    is_wrong_kind: bool = False
    is_saved: bool = False
    proposed: list[tuple[str, float, bool]] = field(default_factory=list)
    trouble: str = ""
    left_trouble: str = ""

    def sure(self) -> list[tuple[str, bool]]:
        """Return (kind.column, True if it is right) of each proposal of at least 95 % before any answer."""
        return [(name, right) for name, confidence, right in self.proposed if confidence >= SURE]


def interview(file: DialectFile, path: Path, context: ProposalContext, seed: int) -> FileScore:
    """Return the score of a file: propose mappings, answer all questions from the truth, and read it."""
    score = FileScore(f"{seed}/{file.name}", file.kinds())
    try:
        dialogue = Dialogue(file, path, context)
        first = dialogue.propose({})
        last = answer_all(dialogue, first, score)
    except (SourceFileError, WorkspaceError) as problem:
        score.trouble = f"{type(problem).__name__}: {problem}"
        score.outcomes = [(f"{t.truth.kind}.{c}", NOT_PLACED) for t in table_truths(file) for c in sorted(t.columns())]
        return score
    kinds_asked = any(key == "kind" for _, key in score.asked_of)
    score.is_wrong_kind = not kinds_asked and any(not p.is_kind_right() for p in last)
    score.proposed = [
        (f"{p.proposal.kind}.{c.column}", c.confidence, is_right_proposal(p, c))
        for p in first
        for c in p.proposal.columns
        if c.column not in p.truth.optional_columns()
    ]
    _count_outcomes(file, last, score)
    score.trouble = _trouble(file, path, last, context.catalogue, score)
    score.left_trouble = _trouble_at_last(dialogue, last, score)
    return score


def is_right_proposal(proposed: Proposed, column: ColumnProposal) -> bool:
    """Return True if a proposal reads a column of the file, or a constant, that the truth names for its column."""
    truth = proposed.truth
    return (
        proposed.is_kind_right()
        and column.column in truth.columns()
        and is_right(truth, column.column, column.row, proposed.sniffed)
    )


def _trouble_at_last(dialogue: Dialogue, last: list[Proposed], score: FileScore) -> str:
    """Return the trouble that remains when the person places what the program could not place."""
    left = {
        f"{dialogue.prefix(p, last)}{column}": sources[0].name
        for p in last
        if p.is_kind_right()
        for column, sources in p.truth.sources.items()
        if column not in {c.column for c in p.proposal.columns}
    }
    if not left:
        return score.trouble
    again = FileScore(score.file, score.kinds, asked=list(score.asked), answers={**score.answers, **left})
    proposed = answer_all(dialogue, dialogue.propose(again.answers), again)
    return _trouble(dialogue.file, dialogue.path, proposed, dialogue.catalogue, again)


def answer_all(dialogue: Dialogue, first: list[Proposed], score: FileScore) -> list[Proposed]:
    """Answer questions until none is left that has an answer; return the last proposals."""
    last = first
    for _ in range(MAX_ROUNDS):
        new = [(p, q) for p in last for q in p.proposal.questions if q.key not in score.asked]
        offered = [(p, q) for p in last for q in p.proposal.optional if q.key not in score.answers]
        if not new and not offered:
            break
        for proposed, question in new:
            _answer(proposed, question, score)
        for proposed, question in offered:
            _place(proposed, question, last, score)
        last = dialogue.propose(score.answers)
    open_keys = {q.key for p in last for q in p.proposal.questions}
    score.unanswerable = [k for k in score.unanswerable if k in open_keys]
    score.unanswerable += sorted(open_keys - set(score.unanswerable))
    return last


def _answer(proposed: Proposed, question: MappingQuestion, score: FileScore) -> None:
    """Answer a question from the truth."""
    key = proposed.own_key(question.key)
    score.asked_of.add((proposed.truth.truth.kind, key))
    if question.key in score.asked:
        return
    score.asked.append(question.key)
    answer = Oracle(proposed.truth).answer(question, key)
    if answer is None:
        score.unanswerable.append(question.key)
    else:
        score.answers[question.key] = answer


def _place(proposed: Proposed, question: MappingQuestion, last: list[Proposed], score: FileScore) -> None:
    """Place a column that the program offers, or ignore it."""
    answer = str(Oracle(proposed.truth).answer(question, proposed.own_key(question.key)))
    score.offered.append(question.key)
    score.answers[question.key] = answer
    score.asked_of |= {(p.truth.truth.kind, answer) for p in last}


def _is_asked(proposed: Proposed, column: str, score: FileScore) -> bool:
    own = [k for kind, k in score.asked_of if kind == proposed.truth.truth.kind]
    is_time = column.endswith("_at") and "time_zone" in own
    return is_time or any(k == column or k.startswith(f"{column}.") for k in own)


def _count_outcomes(file: DialectFile, last: list[Proposed], score: FileScore) -> None:
    """Record the outcome of each meaningful column, and proposals for which the file has no column."""
    by_truth = {id(p.truth.truth): p for p in last if p.is_kind_right()}
    for truth in table_truths(file):
        proposed = by_truth.get(id(truth.truth))
        columns = {c.column: c for c in proposed.proposal.columns} if proposed else {}
        for column in sorted(truth.columns()):
            outcome = NOT_PLACED
            if proposed is not None and column in columns:
                has_it = is_right(proposed.truth, column, columns[column].row, proposed.sniffed)
                asked = _is_asked(proposed, column, score)
                outcome = (RIGHT_ASKED if asked else RIGHT) if has_it else (WRONG_ASKED if asked else WRONG)
            score.outcomes.append((f"{truth.truth.kind}.{column}", outcome))
    score.spurious = [
        f"{p.proposal.kind}.{c.column} from {c.row.get('from')}"
        for p in by_truth.values()
        for c in p.proposal.columns
        if c.column not in {*p.truth.columns(), *p.truth.optional_columns()} and not _is_asked(p, c.column, score)
    ]


def _trouble(file: DialectFile, path: Path, last: list[Proposed], catalogue: Catalogue, score: FileScore) -> str:
    """Read the file through the mappings; return the first difference from the truth, and record if they are saved."""
    open_keys = [q.key for p in last for q in p.proposal.questions]
    if open_keys:
        return f"questions stay open: {', '.join(open_keys)}"
    read = {id(p.truth.truth): rows_read(path, p.proposal.table(), catalogue) for p in last}
    score.is_saved = all(r.problem is None for r in read.values())
    wrong = next((p for p in last if not p.is_kind_right()), None)
    if wrong is not None:
        return f"read as {wrong.proposal.kind}"
    truths = [t for table in file.tables for t in table.truths]
    return next(filter(None, (_of_kind(t, read) for t in truths)), "")


def _of_kind(truth: KindTruth, read: dict[int, ReadRows]) -> str:
    rows = read.get(id(truth))
    return (
        f"no rows of {truth.kind}"
        if rows is None
        else rows.problem or rows.rejected or difference(rows.good, truth.rows)
    )
