"""Errors of commands and workspaces as one sentence in the page's language."""

from typing import Any

from reports.language.reason_text import format_reason
from reports.language.translate import say, say_n, translated
from transforms.config.problems import ConfigError
from transforms.contracts.reason import ERROR_TEXT, phrase_reason, reason
from transforms.errors import WorkspaceError


def error_text(problem: WorkspaceError) -> str:
    """Return an error as a sentence of what is wrong, where, and what to do; those of configuration files as lines."""
    if isinstance(problem, ConfigError):
        return "\n".join(config_lines(problem))
    return say(
        "{what} in {where}: {remedy}",
        what=_part(problem.texts.what, problem.values),
        where=translated(problem.texts.where),
        remedy=_part(problem.texts.remedy, problem.values),
    )


def _part(text: str, values: dict[str, Any]) -> str:
    return format_reason(reason(ERROR_TEXT, english=text, **values))


def config_lines(problem: ConfigError) -> list[str]:
    """Return the lines of errors of configuration files: a single error, or a title and one line per error."""
    sentences = [
        say(
            "{what} in {where}: {remedy}",
            what=format_reason(phrase_reason(p.what)),
            where=p.where,
            remedy=format_reason(phrase_reason(p.remedy)),
        )
        for p in problem.problems
    ]
    if len(sentences) == 1:
        return sentences
    title = say_n(
        "{n} error in the workspace configuration:",
        "{n} errors in the workspace configuration:",
        len(sentences),
    )
    return [title, *(f"- {s}" for s in sentences)]
