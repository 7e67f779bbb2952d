"""Errors of a call that cannot be read, in the language of the workspace that the call names, or of the environment."""

from collections.abc import Sequence
from enum import Enum
from pathlib import Path
from typing import Any, get_args

import typer

from reports.language.translate import mark, say, translated
from transforms.contracts.similar_name import similar_names


class UnknownCommand(typer.TyperException):
    """A command that does not exist.

    Attributes:
        word: the command called.
        similar: commands with a similar name, the most similar first.
    """

    def __init__(self, word: str, commands: Sequence[str]) -> None:
        super().__init__(word)
        self.word, self.similar, self.exit_code = word, similar_names(word, commands), 2

    def format_message(self) -> str:
        """Return what is wrong."""
        if self.similar:
            similar = self.similar[0]
            return say("there is no command '{word}'; did you mean '{similar}'?", word=self.word, similar=similar)
        return say("there is no command '{word}'", word=self.word)


class MissingCommand(typer.TyperException):
    """A call of the program or a group with options, but without a command."""

    def __init__(self) -> None:
        super().__init__("")
        self.exit_code = 2

    def format_message(self) -> str:
        """Return what is wrong."""
        return say("no command was given")


class UnexpectedArguments(typer.TyperException):
    """More arguments than a command takes."""

    def __init__(self, words: Sequence[str]) -> None:
        super().__init__(" ".join(words))
        self.words, self.exit_code = " ".join(words), 2

    def format_message(self) -> str:
        """Return what is wrong."""
        return say("this command takes no further argument, but '{words}' was given", words=self.words)


class TwoWorkspaces(typer.TyperException):
    """An argument and an option that name different workspaces."""

    def __init__(self, argument: Path, option: Path) -> None:
        super().__init__(f"{argument} {option}")
        self.argument, self.option, self.exit_code = argument, option, 2

    def format_message(self) -> str:
        """Return what is wrong."""
        return say(
            "two workspaces are named, {argument} and --workspace {option}",
            argument=self.argument,
            option=self.option,
        )


class ContradictingOptions(typer.TyperException):
    """Two options that exclude each other."""

    def __init__(self, first: str, second: str) -> None:
        super().__init__(f"{first} {second}")
        self.first, self.second, self.exit_code = first, second, 2

    def format_message(self) -> str:
        """Return what is wrong."""
        return say("{first} and {second} exclude each other", first=self.first, second=self.second)


def describe_call_error(problem: Any) -> str:
    """Return what is wrong with a call; errors that only the library knows stay in its English.

    Args:
        problem: error of the command line, a `typer.TyperException`.
    """
    from pydantic import ValidationError

    param, option = getattr(problem, "param", None), getattr(problem, "option_name", None)
    if isinstance(problem.__cause__, ValidationError) and param is not None:
        return _describe_value(param, problem.__cause__.errors()[0])
    if param is not None and hasattr(problem, "param_type"):  # a parameter without a value
        return say("{name} is missing", name=_name(param))
    if option is not None and hasattr(problem, "possibilities"):
        return _describe_unknown(option, _options_of(problem.ctx))
    if option is not None:
        takes = next((p for p in problem.ctx.command.params if option in (*p.opts, *p.secondary_opts)), None)
        is_flag = takes is not None and takes.is_flag
        text = mark("option {option} takes no value") if is_flag else mark("option {option} needs a value")
        return translated(text).format(option=option)
    return str(problem.format_message()).strip().rstrip(".")


def _options_of(ctx: Any) -> list[str]:
    """Return the options of the command that was called."""
    shown = [p for p in ctx.command.get_params(ctx) if not getattr(p, "hidden", False)]
    return [o for p in shown for o in (*p.opts, *p.secondary_opts) if o.startswith("--")]


def _describe_unknown(option: str, options: Sequence[str]) -> str:
    similar = similar_names(option.lstrip("-"), options)
    if similar:
        return say("there is no option {option}; did you mean {similar}?", option=option, similar=similar[0])
    return say("there is no option {option}", option=option)


def _name(param: Any) -> str:
    """Return the name of a parameter as the help shows it."""
    first = str(param.opts[-1])
    return first if first.startswith("-") else str(param.metavar or first).upper()


def _describe_value(param: Any, error: Any) -> str:
    """Return which value a parameter needs and which was given."""
    name, given = _name(param), error["input"]
    kind = param.type_descriptor.annotation
    if choices := choices_of(param):
        return _describe_choice(name, given, choices)
    low, high = (getattr(param, end, None) for end in ("min", "max"))
    values = {"name": name, "given": given, "low": low, "high": high}
    if low is not None and high is not None:
        return say("{name} must be a number from {low} to {high}, not '{given}'", **values)
    if low is not None:
        return say("{name} must be a number of at least {low}, not '{given}'", **values)
    if kind is int:
        return say("{name} must be a whole number, not '{given}'", **values)
    if kind is float:
        return say("{name} must be a number, not '{given}'", **values)
    return say("{name} cannot be '{given}'", **values)


def choices_of(param: Any) -> list[str]:
    """Return the values that a parameter accepts if they are a closed list; empty otherwise."""
    kind = param.type_descriptor.annotation
    listed = [c.value for c in kind] if isinstance(kind, type) and issubclass(kind, Enum) else get_args(kind)
    return [c for c in listed if isinstance(c, str)]


def _describe_choice(name: str, given: Any, choices: list[str]) -> str:
    if similar := similar_names(str(given), choices):
        return say(
            "{name} cannot be '{given}'; did you mean '{similar}'? It must be one of {values}",
            name=name,
            given=given,
            similar=similar[0],
            values=", ".join(choices),
        )
    return say("{name} must be one of {values}, not '{given}'", name=name, values=", ".join(choices), given=given)
