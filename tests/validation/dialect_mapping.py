"""Measure mappings that are proposed for the exports of invented offices.

    python tests/validation/dialect_mapping.py                 offices 1 to 20, onto the page
    python tests/validation/dialect_mapping.py --offices 3 7   only these, printed with each trouble
    python tests/validation/dialect_mapping.py --set-aside     offices 21 to 40
    python tests/validation/dialect_mapping.py --masked        all 40 offices, a part of the vocabulary taken out
    python -m tests.validation.dialect_mapping --looked-at         offices 41 to 60, which are spent
    python -m tests.validation.dialect_mapping --fourth            offices 61 to 80, which are spent
    python -m tests.validation.dialect_mapping --left-out          words taken out of the vocabulary one by one

Offices 21 to 40 use words, patterns of headers and time formats that offices 1 to 20 never use; offices 41 to 60 use
words and habits that neither group has, chosen after the first two groups were measured. All three groups have been
looked at. The words and habits of offices 61 to 80 were written without looking at the vocabulary or at any of the
other offices; they have been looked at since. The figures of offices 41 to 60 and 61 to 80 from before that stay on the
page, and no option writes them again.
"""

import argparse
import tempfile
from collections import Counter
from functools import partial
from itertools import pairwise
from pathlib import Path

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.dialects.fourth_office import (
    FIRST_FOURTH,
    FOURTH_GROUP,
    draw_fourth_office,
    write_fourth_office,
)
from tests.validation.dialects.interview import (
    NOT_PLACED,
    OUTCOMES,
    RIGHT,
    RIGHT_ASKED,
    WRONG,
    WRONG_ASKED,
    FileScore,
    interview,
)
from tests.validation.dialects.left_out_words import SAMPLE, left_out_rows
from tests.validation.dialects.masked_words import masked_lexicon
from tests.validation.dialects.office import FIRST_SECOND_SET_ASIDE, FIRST_SET_ASIDE, draw_office
from tests.validation.dialects.write_files import write_office
from tests.validation.processes import processes
from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.propose.lexicon import package_lexicon
from transforms.ingest.propose.table import ProposalContext

OFFICES = range(1, FIRST_SET_ASIDE)
SET_ASIDE = range(FIRST_SET_ASIDE, FIRST_SECOND_SET_ASIDE)
SECOND_SET_ASIDE = range(FIRST_SECOND_SET_ASIDE, FIRST_SECOND_SET_ASIDE + 20)
MASKED_SHARES = (0.3, 0.4, 0.5)
BINS = (0.0, 0.6, 0.75, 0.85, 0.95, 1.01)
"""Bounds of classes of confidence."""
FINE_BINS = (0.0, 0.6, 0.75, 0.85, 0.95, 0.99, 1.01)
"""The same, with a class of its own for proposals that are sure."""


def scores_of(seed: int, masked: float = 0.0) -> list[FileScore]:
    """Return the scores of all files of an office.

    Args:
        seed: seed of the office.
        masked: share of the words that the program does not know.
    """
    is_fourth = seed >= FIRST_FOURTH
    office = draw_fourth_office(seed) if is_fourth else draw_office(seed)
    lexicon = masked_lexicon(seed, masked) if masked else package_lexicon()
    context = ProposalContext(load_catalogue(), office.zone, lexicon=lexicon)
    with tempfile.TemporaryDirectory() as folder:
        paths = (write_fourth_office if is_fourth else write_office)(office, Path(folder))
        pairs = zip(office.files, paths, strict=True)
        return [interview(file, path, context, seed) for file, path in pairs]


def summary(scores: list[FileScore]) -> list[list[str]]:
    """Return the rows of the table of figures."""
    outcomes = Counter(outcome for s in scores for _, outcome in s.outcomes)
    columns, files = outcomes.total(), len(scores)
    spurious = sum(len(s.spurious) for s in scores)
    sure = [right for s in scores for _, right in s.sure()]
    questions = sum(len(s.asked) for s in scores)

    def share(n: int, of: int) -> str:
        return f"{n} ({100 * n / max(1, of):.1f} %)"

    return [
        ["meaningful columns", str(columns)],
        ["right without asking", share(outcomes[RIGHT], columns)],
        ["right after asking", share(outcomes[RIGHT_ASKED], columns)],
        ["asked", share(outcomes[RIGHT_ASKED] + outcomes[WRONG_ASKED], columns)],
        ["wrong without asking", share(outcomes[WRONG], columns)],
        ["wrong after asking", share(outcomes[WRONG_ASKED], columns)],
        ["not placed", share(outcomes[NOT_PLACED], columns)],
        ["proposed without asking though the file has no such column", str(spurious)],
        ["files", str(files)],
        ["files of wrong kind without asking", share(sum(s.is_wrong_kind for s in scores), files)],
        ["questions per file", f"{questions / max(1, files):.1f}"],
        ["columns offered as not placed, per file", f"{sum(len(s.offered) for s in scores) / max(1, files):.1f}"],
        ["questions that the truth cannot answer", str(sum(len(s.unanswerable) for s in scores))],
        ["mappings saved", share(sum(s.is_saved for s in scores), files)],
        ["files whose accepted rows equal the truth", share(sum(not s.trouble for s in scores), files)],
        ["the same, after the columns not placed are placed", share(sum(not s.left_trouble for s in scores), files)],
        ["proposals of at least 95 % before any answer", str(len(sure))],
        ["of these right", share(sum(sure), len(sure))],
    ]


def by_kind(scores: list[FileScore]) -> list[list[str]]:
    """Return the outcomes of the columns of each kind."""
    counts = Counter((name.partition(".")[0], outcome) for s in scores for name, outcome in s.outcomes)
    kinds = sorted({kind for kind, _ in counts})
    return [[kind, *(str(counts[kind, outcome]) for outcome in OUTCOMES)] for kind in kinds]


def wrong_columns(scores: list[FileScore]) -> list[str]:
    """Return the columns that were wrong without asking, most frequent first."""
    wrong = Counter(name for s in scores for name, outcome in s.outcomes if outcome == WRONG)
    return [f"`{name}` {n}" for name, n in wrong.most_common()]


def print_troubles(scores: list[FileScore]) -> None:
    """Print each file with its trouble, its wrong and missing columns and its questions."""
    for s in scores:
        missed = [f"{n} ({o})" for n, o in s.outcomes if o in {WRONG, WRONG_ASKED, NOT_PLACED}]
        print(f"{s.file}: {s.trouble or 'equal'}")
        if s.left_trouble != s.trouble:
            print(f"    once all are placed: {s.left_trouble or 'equal'}")
        for label, items in (
            ("columns", missed),
            ("spurious", s.spurious),
            ("asked", s.asked),
            ("no answer", s.unanswerable),
            ("wrong at 95 % or more", [name for name, right in s.sure() if not right]),
        ):
            if items:
                print(f"    {label}: {', '.join(items)}")


def measure_masked() -> list[str]:
    """Measure all offices with a part of the vocabulary taken out, and return the figures as Markdown."""
    lines: list[str] = []
    with processes() as pool:
        found = {m: list(pool.map(partial(scores_of, masked=m), [*OFFICES, *SET_ASIDE])) for m in MASKED_SHARES}
    scores = {m: [s for office in offices for s in office] for m, offices in found.items()}
    tables = [summary(own) for own in scores.values()]
    rows = [[rows[0][0], *(row[1] for row in rows)] for rows in zip(*tables, strict=True)]
    rows.append(["lowest share of these right in a language", *(f"{_worst(o):.1f} %" for o in found.values())])
    lines += markdown_table(["figure", *(f"{m:.0%} of the words unknown" for m in MASKED_SHARES)], rows)
    return [*lines, "", *calibration([s for own in scores.values() for s in own], BINS)]


def calibration(scores: list[FileScore], bounds: tuple[float, ...]) -> list[str]:
    """Return the share of right proposals by stated confidence, before any answer, as Markdown."""
    rows = []
    for low, high in pairwise(bounds):
        right = [r for s in scores for _, confidence, r in s.proposed if low <= confidence < high]
        share = f"{100 * sum(right) / len(right):.1f} %" if right else "-"
        rows.append([f"{100 * low:.0f} to {min(100 * high, 100):.0f} %", str(len(right)), share])
    return markdown_table(["stated confidence", "proposals", "right"], rows)


def kinds(scores: list[FileScore]) -> list[str]:
    """Return how the program found the kinds of the files, as Markdown."""
    found = Counter(_kind_outcome(s) for s in scores)
    return markdown_table(["kind of the file", "files"], [[name, str(n)] for name, n in sorted(found.items())])


def _kind_outcome(score: FileScore) -> str:
    if not score.proposed and not score.asked:
        return "not readable"
    if any(key == "kind" for _, key in score.asked_of):
        return "asked, not among the choices" if "kind" in score.unanswerable else "asked"
    return "wrong without asking" if score.is_wrong_kind else "right without asking"


def _worst(offices: list[list[FileScore]]) -> float:
    """Return the lowest share of sure proposals that are right, by language, in percent."""
    right: dict[str, list[bool]] = {}
    for seed, scores in zip([*OFFICES, *SET_ASIDE], offices, strict=True):
        right.setdefault(draw_office(seed).language, []).extend(r for s in scores for _, r in s.sure())
    return min(100 * sum(r) / max(1, len(r)) for r in right.values())


def measure(seeds: range | list[int]) -> tuple[list[FileScore], list[str]]:
    """Measure offices and return the scores of their files and the figures as Markdown."""
    with processes() as pool:
        scores = [score for found in pool.map(scores_of, seeds) for score in found]
    head = ["kind", *OUTCOMES]
    lines = [*markdown_table(["figure", "value"], summary(scores)), "", *markdown_table(head, by_kind(scores))]
    wrong = wrong_columns(scores)
    lines += ["", f"Wrong without asking: {', '.join(wrong)}."] if wrong else []
    return scores, lines


def main() -> None:
    """Read the command line and measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--offices", type=int, nargs="+", help="seeds up to 80; prints each trouble, writes nothing")
    aside = parser.add_mutually_exclusive_group()
    aside.add_argument("--set-aside", action="store_true", help="measure offices 21 to 40")
    aside.add_argument("--masked", action="store_true", help="measure offices 1 to 40 with unknown words")
    aside.add_argument("--looked-at", action="store_true", help="measure offices 41 to 60")
    aside.add_argument("--fourth", action="store_true", help="measure offices 61 to 80")
    aside.add_argument("--left-out", action="store_true", help="measure the recognition of words taken out")
    given = parser.parse_args()
    if given.offices:
        scores, lines = measure(given.offices)
        print(*lines, sep="\n")
        print_troubles(scores)
    elif given.masked:
        write_figures(VALIDATION, "offices with unknown words", measure_masked(), "40 offices")
    elif given.set_aside:
        write_figures(VALIDATION, "offices set aside", measure(SET_ASIDE)[1], f"{len(SET_ASIDE)} offices")
    elif given.looked_at:
        figures = measure(SECOND_SET_ASIDE)[1]
        write_figures(
            VALIDATION, "offices 41 to 60 after they were looked at", figures, f"{len(SECOND_SET_ASIDE)} offices"
        )
    elif given.fourth:
        scores, lines = measure(FOURTH_GROUP)
        lines = [
            *markdown_table(["figure", "value"], summary(scores)),
            "",
            *kinds(scores),
            "",
            *calibration(scores, FINE_BINS),
        ]
        write_figures(VALIDATION, "offices 61 to 80 after they were looked at", lines, f"{len(FOURTH_GROUP)} offices")
        print_troubles(scores)
    elif given.left_out:
        head = ["manner", "meaning known: right", "meaning known: wrong", "meaning unknown: wrong"]
        write_figures(VALIDATION, "words left out", markdown_table(head, left_out_rows()), f"{SAMPLE} words")
    else:
        write_figures(VALIDATION, "offices", measure(OFFICES)[1], f"{len(OFFICES)} offices")


if __name__ == "__main__":
    main()
