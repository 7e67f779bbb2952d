"""Questions of the command `map`: reading answers, and asking all open questions in one go."""

from typing import Any

import typer
from rich.console import Console

from flows.cli.mapping import FileKind
from flows.cli.output import line_of, print_line
from flows.cli.pick_list import can_pick, pick
from reports.language.bidi import without_isolates
from reports.language.reason_text import format_reason
from reports.language.translate import say, say_n
from transforms.config.settings_catalogue import Catalogue
from transforms.errors import WorkspaceError
from transforms.ingest.propose.proposal import READ, MappingQuestion, Proposal

ACCEPT_ALL = "."
"""Answer that accepts the guesses of all further questions."""
SHOWN_CHOICES = 12


def parse_answers(given: list[str]) -> dict[str, str]:
    """Return question key -> answer from texts KEY=VALUE.

    Raises:
        WorkspaceError: a text has no value, or the kind of file is not known.
    """
    out = {}
    for text in given:
        # A column of the file may contain an equals sign, the answer about it does not.
        key, sign, value = text.rpartition("=") if text.startswith(READ) or f":{READ}" in text else text.partition("=")
        if not sign:
            raise WorkspaceError(
                "the answer '{answer}' has no value", where="--answer", remedy="write it as KEY=VALUE", answer=text
            )
        out[key.strip()] = value.strip()
    if out.get("kind", FileKind.load) not in list(FileKind):
        raise WorkspaceError(
            "kind is '{name}'",
            where="--answer",
            remedy="use one of {kinds}",
            name=out["kind"],
            kinds=", ".join(FileKind),
        )
    return out


def open_questions(proposals: list[Proposal]) -> list[MappingQuestion]:
    """Return the open questions of all mappings of a file, each once."""
    return list({q.key: q for p in proposals for q in p.questions}.values())


def ask_all(console: Console, questions: list[MappingQuestion], catalogue: Catalogue) -> dict[str, str]:
    """Return the answers of a person to all open questions, asked one below the other.

    Raises:
        typer.Abort: the input has ended.
    """
    console.print()
    print_line(
        console,
        say_n(
            "{n} question. Enter accepts the guess in brackets, '{all}' all further guesses.",
            "{n} questions. Enter accepts the guess in brackets, '{all}' all further guesses.",
            len(questions),
            all=ACCEPT_ALL,
        ),
    )
    answers: dict[str, str] = {}
    is_accepting = False
    for question in questions:
        if is_accepting and question.guess:
            answers[question.key] = question.guess
            continue
        console.print()
        print_line(console, format_reason(question.why, catalogue))
        if question.example:
            print_line(console, "  " + say("for example: {example}", example=question.example))
        answer = _answer(console, question)
        if answer == ACCEPT_ALL:
            is_accepting = True
            answer = question.guess or read_answer(console, question.key, "")
        answers[question.key] = _chosen(answer, question)
    return answers


def _answer(console: Console, question: MappingQuestion) -> str:
    """Ask one question: from a pick list on a terminal, else by its number or text."""
    if question.choices and can_pick(console):
        accept_all = ACCEPT_ALL if question.guess else ""
        return pick(question.key, question.choices, question.guess, accept_all=accept_all)
    if question.choices:
        print_line(console, "  " + _shown_choices(question))
    prompt = f"{question.key} [{question.guess}]" if question.guess else question.key
    return read_answer(console, prompt, question.guess)


def _shown_choices(question: MappingQuestion) -> str:
    shown = [f"{i} {c}" for i, c in enumerate(question.choices, 1)][:SHOWN_CHOICES]
    more = len(question.choices) - len(shown)
    return say("one of: {choices}", choices=", ".join(shown)) + (", …" if more > 0 else "")


def _chosen(answer: str, question: MappingQuestion) -> str:
    """Return the choice with the number that was answered; else the answer itself."""
    is_place = answer.isdigit() and answer not in question.choices and 0 < int(answer) <= len(question.choices)
    return question.choices[int(answer) - 1] if is_place else answer


def ask_unplaced(console: Console, proposals: list[Proposal], catalogue: Catalogue) -> dict[str, str]:
    """Offer the columns that could be a missing value, on one page; ignoring them is the guess.

    Args:
        console: where to print.
        proposals: the proposals for a file.
        catalogue: the machine settings of the workspace, for their names.
    """
    questions = optional_questions(proposals)
    unplaced = unplaced_columns(proposals)
    if not unplaced:
        return {}
    console.print()
    print_line(console, say("Not placed: {columns}", columns=", ".join(unplaced)))
    if not questions:
        return {}
    print_line(
        console,
        say("Enter ignores a column, '{all}' all further ones; else type what it is.", all=ACCEPT_ALL),
    )
    answers: dict[str, str] = {}
    for question in questions:
        console.print()
        print_line(console, format_reason(question.why, catalogue))
        try:
            answer = _chosen(_answer(console, question), question)
        except typer.Abort:
            break
        if answer == ACCEPT_ALL:
            break
        answers[question.key] = answer
    return {**{q.key: q.guess for q in questions}, **answers}


def optional_questions(proposals: list[Proposal]) -> list[MappingQuestion]:
    """Return the questions about columns that are not placed, each once."""
    return list({q.key: q for p in proposals for q in p.optional}.values())


def unplaced_columns(proposals: list[Proposal]) -> list[str]:
    """Return the columns of a file that none of its mappings reads."""
    return list(dict.fromkeys(c for p in proposals for c in p.unread))


def unread_sheets(proposals: list[Proposal]) -> list[str]:
    """Return the filled sheets of a workbook that none of its mappings reads."""
    return list(dict.fromkeys(name for p in proposals for name in p.unread_sheets))


def read_answer(console: Console, prompt: str, guess: str) -> str:
    """Ask until there is an answer or a guess; the prompt stays out of a piped table.

    Raises:
        typer.Abort: the input has ended.
    """
    answer = ""
    while not answer:
        console.print(line_of(f"{prompt}: "), end="", soft_wrap=True, highlight=False)
        try:
            answer = input().strip() or guess
        except EOFError:
            raise typer.Abort from None
    return answer


def question_row(question: MappingQuestion, catalogue: Catalogue) -> dict[str, Any]:
    """Return a question as the JSON result."""
    text = without_isolates(format_reason(question.why, catalogue))
    return {
        "key": question.key,
        "text": text,
        "choices": question.choices,
        "guess": question.guess,
        "example": question.example,
    }
