"""Help of commands in the language of the workspace that the call names, or of the environment."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup

from flows.cli.call_errors import UnexpectedArguments, UnknownCommand
from flows.runtime.language import set_workspace_language
from reports.language.help_text import help_paragraphs
from reports.language.translate import mark, say, set_language, start_in_english, translated
from transforms.errors import WorkspaceError

PARTS = {
    "ARGUMENTS_PANEL_TITLE": mark("Arguments"),
    "OPTIONS_PANEL_TITLE": mark("Options"),
    "COMMANDS_PANEL_TITLE": mark("Commands"),
    "DEFAULT_STRING": mark("[default: {}]"),
    "REQUIRED_LONG_STRING": mark("[required]"),
}
"""Constants of `typer.rich_utils` -> texts that it shows around ours."""
ARGUMENTS = {
    "folder": mark("folder"),
    "file": mark("file"),
    "load_id": mark("load"),
    "trial_id": mark("trial"),
    "plan_id": mark("plan"),
}
"""Arguments of commands -> their names in help."""
Called = TypeVar("Called", bound=Callable[..., Any])
VARIABLES = ("LC_ALL", "LC_MESSAGES", "LANG")
"""Variables that name the language of messages; the first one that is set counts, as everywhere under POSIX."""


def named_workspace(words: list[str], here: Path) -> Path | None:
    """Return the workspace of a call.

    Args:
        words: arguments of the call; one of them may be the folder, alone or as `--workspace=FOLDER`.
        here: current folder.

    Returns:
        The first folder with a season.toml among the arguments, else the nearest one from `here` upwards.
    """
    folders = [here / word.rpartition("=")[2] for word in words if word != "--help"]
    for folder in (*folders, here, *here.parents):
        with suppress(OSError):  # a word may be too long for a file name
            if (folder / "season.toml").is_file():
                return folder
    return None


def environment_locale(environment: dict[str, str]) -> str | None:
    """Return the locale of messages in an environment; None for the locale of programs.

    >>> environment_locale({"LC_ALL": "", "LANG": "de_AT.UTF-8"})
    'de-AT'
    """
    value = next((environment[v] for v in VARIABLES if environment.get(v)), "C")
    name = value.partition(".")[0].partition("@")[0]
    return None if name in ("", "C", "POSIX") else name.replace("_", "-")


def set_call_language() -> None:
    """Set the language of the workspace that this call names, or of the environment."""
    if (workspace := named_workspace(sys.argv[1:], Path.cwd())) is not None:
        set_workspace_language(workspace)
    elif (locale := environment_locale(dict(os.environ))) is not None:
        with suppress(WorkspaceError):  # a locale that nobody knows, or nobody has translated, is English
            set_language(locale)


@contextmanager
def _translated_parts() -> Iterator[None]:
    """Translate the words that the library puts around help texts, which are its constants, in a block."""
    from typer import rich_utils

    before = {name: getattr(rich_utils, name) for name in PARTS}
    for name, text in PARTS.items():
        setattr(rich_utils, name, translated(text))
    try:
        yield
    finally:
        for name, text in before.items():
            setattr(rich_utils, name, text)


def _paragraphs(text: str | None) -> str | None:
    return text and "\n\n".join(translated(p) for p in help_paragraphs(text))


def _translate(command: Any) -> None:
    """Translate the texts of a command and of its parameters; a command lives for one call of the program."""
    command.help, command.epilog = _paragraphs(command.help), _paragraphs(command.epilog)
    command.options_metavar = say("[OPTIONS]")
    for param in command.params:
        param.help = _paragraphs(getattr(param, "help", None))
        name = param.metavar or (ARGUMENTS[param.name] if isinstance(param, TyperArgument) else None)
        param.metavar = name and translated(name)
    for inner in getattr(command, "commands", {}).values():
        inner.help = _paragraphs(inner.help)
    if isinstance(command, TyperGroup):
        command.subcommand_metavar = say("COMMAND [ARGS]...")


class _Translated:
    """Help in the language of the call, for commands and groups."""

    def format_help(self, ctx: Any, formatter: Any) -> None:
        with start_in_english():
            set_call_language()
            _translate(self)
            with _translated_parts():
                super().format_help(ctx, formatter)  # type: ignore[misc]

    def format_usage(self, ctx: Any, formatter: Any) -> None:
        pieces = " ".join(self.collect_usage_pieces(ctx))  # type: ignore[attr-defined]
        formatter.write_usage(ctx.command_path, pieces, say("Usage:") + " ")

    def get_help_option(self, ctx: Any) -> Any:
        option = super().get_help_option(ctx)  # type: ignore[misc]
        if option is not None:
            option.help = say("Show this message and exit.")
        return option


class Command(_Translated, TyperCommand):
    """Command with translated help and errors."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Return the arguments left over, which are none."""
        ctx.allow_extra_args = True  # the library's own error of too many arguments is an English sentence
        try:
            left = super().parse_args(ctx, args)
        except typer.TyperException as problem:
            problem.ctx = ctx  # type: ignore[attr-defined]  # an error of an option does not name the command
            raise
        if left and not ctx.resilient_parsing:
            raise UnexpectedArguments(left)
        return left


class Group(_Translated, TyperGroup):
    """Group of commands with translated help and errors."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the name of a command, the command and its arguments."""
        if not ctx.resilient_parsing and args[0] not in self.commands and not args[0].startswith("-"):
            raise UnknownCommand(args[0], list(self.commands))
        return super().resolve_command(ctx, args)


class CommandLine(typer.Typer):
    """Program or group of commands whose help follows the language."""

    def __init__(self, **options: Any) -> None:
        super().__init__(cls=Group, no_args_is_help=True, **options)

    def command(self, name: str | None = None, **options: Any) -> Callable[[Called], Called]:
        """Return the decorator that adds a command."""
        return super().command(name, cls=Command, **options)
