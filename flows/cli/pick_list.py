"""Pick lists of questions on a terminal: arrow keys or the first letters choose, Enter accepts."""

import sys

from rich.console import Console

from flows.cli.printable import printable
from reports.language.translate import say


def can_pick(console: Console) -> bool:
    """Return True if a person at a terminal answers and sees the questions."""
    return console.is_terminal and sys.stdin.isatty()


def pick(prompt: str, choices: tuple[str, ...], guess: str, *, accept_all: str = "") -> str:
    """Return the entry of a list that a person picks.

    Args:
        prompt: the question's key, shown before the list.
        choices: the allowed answers.
        guess: the answer that is marked at first, if it is in the list.
        accept_all: value of a further entry that accepts all further guesses; empty for no such entry.

    Returns:
        The answer or `accept_all`.

    Raises:
        KeyboardInterrupt: Ctrl-C was pressed.
    """
    from questionary import Choice, select

    entries = [Choice(printable(choice), choice) for choice in choices]
    if accept_all:
        entries.append(Choice(say("accept all further guesses"), accept_all))
    answer: str = select(
        printable(prompt),
        entries,
        default=guess if guess in choices else None,
        instruction=" ",
        use_jk_keys=False,
        use_search_filter=True,
    ).unsafe_ask()
    return answer
