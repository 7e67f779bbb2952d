"""Columns of a file that no table column reads, and the table columns that each of them could be."""

from transforms.contracts.reason import reason
from transforms.ingest.propose.header import Name
from transforms.ingest.propose.plausible import FLAGS, KEYS, WORD_COLUMNS
from transforms.ingest.propose.profile import ColumnProfile
from transforms.ingest.propose.proposal import IGNORE, READ, Asker, MappingQuestion, Proposal
from transforms.ingest.propose.table import SourceTable

MIN_FACTOR = 0.9
"""Least factor of the values' evidence for a table column that a file's column could be."""
JOIN = " + "
"""Sign between the columns of an answer that are read together, such as left and right."""
MAX_ID_LETTERS, MAX_ID_WORDS = 24, 3
MAX_OFFERED = 40
"""Most columns that are offered at once."""
TEXTS = {"generation", "cleaning_elements", "boundary"}


def placed_answers(answers: dict[str, str]) -> dict[str, str]:
    """Return answers with those that name the table column of a file's column turned around.

    Several columns of the file with the same answer are read together.

    >>> placed_answers({"read.Brix": "sugar_pct", "read.Note": "ignore"})["sugar_pct"]
    'Brix'
    """
    placed: dict[str, list[str]] = {}
    for key, value in answers.items():
        prefix, sign, source = key.partition(READ)
        if sign and value != IGNORE and (not prefix or prefix.endswith(":")):
            placed.setdefault(prefix + value, []).append(source)
    return {**{column: JOIN.join(sources) for column, sources in placed.items()}, **answers}


def sources_of(answer: str, columns: dict[str, ColumnProfile]) -> tuple[str, ...]:
    """Return the columns of a file that an answer names: one, or several joined by a plus; none if it names others."""
    if answer in columns:
        return (answer,)
    parts = tuple(answer.split(JOIN))
    return parts if len(parts) > 1 and all(p in columns for p in parts) else ()


def ask_unplaced(table: SourceTable, asker: Asker, proposals: list[Proposal], columns: dict[str, list[str]]) -> None:
    """Add questions about the unread columns that a missing table column could be; ignoring is the guess.

    Of many columns, those are asked about whose words are those of a table column, or that could be the fewest.

    Args:
        table: the table.
        asker: answers, and the prefix of the keys.
        proposals: the proposals for the rows of the table; the first one gets the questions.
        columns: kind of the rows, or of other rows that the table may contain -> table columns.
    """
    first = proposals[0]
    placed = {(p.kind, c.column) for p in proposals for c in p.columns}
    missing = [(kind, c) for kind, own in columns.items() for c in own if (kind, c) not in placed]
    ranked: list[tuple[tuple[bool, int], MappingQuestion]] = []
    for source in twins_joined(table, first.unread):
        shown = source.split(JOIN)[0] if source not in table.profiles else source
        choices = _possible(table, shown, missing)
        key = READ + source
        if not choices or asker.answer(key) is not None:
            continue
        why = reason("ask_unplaced", source=source, examples=table.profiles[shown].examples, ignore=IGNORE)
        question = MappingQuestion(asker.full_key(key), why, (*choices, IGNORE), IGNORE, table.profiles[shown].examples)
        is_named = _words_shared(choices[0], table.name_of(shown)) > 0
        ranked.append(((not is_named, len(choices)), question))
    likely = sorted(rank for rank, _ in ranked)[:MAX_OFFERED]
    first.optional = [q for rank, q in ranked if rank <= likely[-1]][:MAX_OFFERED]


def _possible(table: SourceTable, source: str, missing: list[tuple[str, str]]) -> list[str]:
    """Return the table columns that a file's column could be by its type and range, likeliest first."""
    profile, name = table.profiles[source], table.name_of(source)
    if not profile.filled or profile.is_counter:
        return []
    ranked: dict[str, tuple[float, bool]] = {}
    for kind, column in missing:
        evidence = table.plausibility.weigh(kind, column, name)
        if evidence.factor >= MIN_FACTOR and _has_type(column, kind, profile):
            ranked.setdefault(column, (-_words_shared(column, name), not evidence.supports))
    return sorted(ranked, key=lambda c: ranked[c])


def _has_type(column: str, kind: str, profile: ColumnProfile) -> bool:
    """Return True if cells of this type occur in a table column: remarks are no ids, numbers no words."""
    if column in TEXTS or column in WORD_COLUMNS or column in FLAGS:
        return profile.time_form is None and len(profile.distinct) < max(2, len(profile.filled) / 2)
    if column.endswith("_id"):
        is_short = all(len(c) <= MAX_ID_LETTERS and c.count(" ") < MAX_ID_WORDS for c in profile.distinct)
        has_digits = sum(any(s.isdigit() for s in c) for c in profile.distinct) >= len(profile.distinct) / 2
        return is_short and (has_digits or column in {"site_id", "operator_id", KEYS.get(kind)})
    return True


def _words_shared(column: str, name: Name) -> int:
    """Return the number of words that a table column's own name shares with the concepts of a file's column."""
    words = set(column.split("_"))
    return sum(bool(t.concepts & words) for t in name.tokens)


def twins_joined(table: SourceTable, unread: list[str]) -> list[str]:
    """Return unread columns with neighbours that differ in one short word and in little else joined: left and right."""
    out: list[str] = []
    for column in unread:
        if out and out[-1] in table.profiles and _are_twins(table, out[-1], column):
            out[-1] = JOIN.join((out[-1], column))
        else:
            out.append(column)
    return out


def _are_twins(table: SourceTable, one: str, other: str) -> bool:
    """Return True if two neighbours are the same quantity on two sides of a machine."""
    words = [[t.text for t in table.name_of(c).tokens] for c in (one, other)]
    profiles = [table.profiles[c] for c in (one, other)]
    differing = [(a, b) for a, b in zip(*words, strict=False) if a != b]
    is_named = len(words[0]) == len(words[1]) > 1 and len(differing) == 1
    if not is_named or any(t.isdigit() for t in differing[0]) or not all(p.is_numeric for p in profiles):
        return False
    return _are_alike(*profiles)


def _are_alike(one: ColumnProfile, other: ColumnProfile) -> bool:
    """Return True if the middle of two columns differs by less than the spread of either."""
    middle = [float(sorted(p.numbers)[p.numbers.size // 2]) for p in (one, other)]
    spread = max(float(p.numbers.max() - p.numbers.min()) for p in (one, other))
    return abs(middle[0] - middle[1]) <= 0.25 * spread or middle[0] == middle[1]
