"""Help of commands in the language of the workspace that the call names, or of the environment."""

import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar, cast, get_args

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup

from flows.cli.call_errors import MissingCommand, UnexpectedArguments, UnknownCommand, choices_of
from flows.cli.call_options import COMPLETION, EVERYWHERE, ONCE, PANEL, VARIABLE, nearest_workspace, with_call_options
from flows.cli.option_groups import with_single_options
from flows.cli.panels import arranged, panels_of
from flows.runtime.language import set_workspace_language
from reports.language.help_text import help_paragraphs
from reports.language.translate import mark, say, set_language, start_in_english, translated
from transforms.errors import WorkspaceError

PARTS = {
    "ARGUMENTS_PANEL_TITLE": mark("Arguments"),
    "OPTIONS_PANEL_TITLE": mark("Options"),
    "COMMANDS_PANEL_TITLE": mark("Commands"),
    "DEFAULT_STRING": mark("[default: {}]"),
    "ENVVAR_STRING": mark("[variable: {}]"),
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
NO_RANGE = "{:.0}"
"""Format that shows nothing: a range is shown as the name of the value."""
TYPES: dict[Any, str] = {
    int: mark("NUMBER"),
    float: mark("NUMBER"),
    str: mark("TEXT"),
    Path: mark("PATH"),
}
"""Types of options -> names of their values in help, unless the option names its value."""
Called = TypeVar("Called", bound=Callable[..., Any])
VARIABLES = ("LC_ALL", "LC_MESSAGES", "LANG")
"""Variables that name the language of messages; the first one that is set counts, as everywhere under POSIX."""


HELP = re.compile("-h|--help")


def named_workspace(words: list[str], here: Path) -> Path | None:
    """Return the workspace of a call.

    Args:
        words: arguments of the call; one of them may be the folder, alone or as `--workspace=FOLDER`.
        here: current folder.

    Returns:
        The first folder with a season.toml among the arguments and the variable, else the nearest one from `here`
        upwards.
    """
    folders = [here / word.rpartition("=")[2] for word in words if not HELP.fullmatch(word)]
    if variable := os.environ.get(VARIABLE):
        folders.append(here / variable)
    for folder in folders:
        with suppress(OSError):  # a word may be too long for a file name
            if (folder / "season.toml").is_file():
                return folder
    return nearest_workspace(here)


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

    texts = {**{name: translated(text) for name, text in PARTS.items()}, "RANGE_STRING": NO_RANGE}
    before = {name: getattr(rich_utils, name) for name in texts}
    for name, text in texts.items():
        setattr(rich_utils, name, text)
    try:
        yield
    finally:
        for name, text in before.items():
            setattr(rich_utils, name, text)


def _paragraphs(text: str | None) -> str | None:
    return text and "\n\n".join(translated(p) for p in help_paragraphs(text))


def _value_name(param: Any) -> str | None:
    """Return the name of a parameter's value in help: empty for a switch, None for a closed list without a name."""
    if isinstance(param, TyperArgument):
        return translated(param.metavar or ARGUMENTS[param.name])
    if param.is_flag:
        return ""
    if param.min is not None and param.max is not None:
        return say("{lo} to {hi}", lo=f"{param.min:g}", hi=f"{param.max:g}")
    kind = param.type_descriptor.annotation
    name = param.metavar or TYPES.get(next(iter(get_args(kind)), kind))
    return name and translated(name)


def _translate_param(param: Any) -> None:
    """Translate the texts of a parameter, and list the values that it accepts."""
    param.help = _paragraphs(COMPLETION.get(param.name) or getattr(param, "help", None))
    if choices := choices_of(param):
        param.help = say("{help} One of: {values}.", help=param.help, values=", ".join(choices))
    param.metavar = _value_name(param)
    if isinstance(param, TyperArgument):
        param.display_type_rich = lambda **_: None  # type: ignore[method-assign]  # its name says what it is
    param.rich_help_panel = param.rich_help_panel and translated(param.rich_help_panel)


def _translate(command: Any, path: str) -> None:
    """Translate the texts of a command and of its parameters; a command lives for one call of the program."""
    command.help, command.epilog = _paragraphs(command.help), _paragraphs(command.epilog)
    command.options_metavar = say("[OPTIONS]")
    for param in command.params:
        _translate_param(param)
    for inner in getattr(command, "commands", {}).values():
        inner.help = _paragraphs(inner.help)
    if isinstance(command, TyperGroup):
        command.subcommand_metavar = say("COMMAND [ARGS]...")
        for panel, names in panels_of(path).items():
            for name in names:
                cast("TyperCommand", command.commands[name]).rich_help_panel = translated(panel)


class _Translated:
    """Help in the language of the call, for commands and groups."""

    def format_help(self, ctx: Any, formatter: Any) -> None:
        with start_in_english():
            set_call_language()
            _translate(self, ctx.command_path)
            with _translated_parts():
                super().format_help(ctx, formatter)  # type: ignore[misc]

    def format_usage(self, ctx: Any, formatter: Any) -> None:
        pieces = " ".join(self.collect_usage_pieces(ctx))  # type: ignore[attr-defined]
        formatter.write_usage(ctx.command_path, pieces, say("Usage:") + " ")

    def get_help_option(self, ctx: Any) -> Any:
        option = super().get_help_option(ctx)  # type: ignore[misc]
        if option is not None:
            option.help, option.rich_help_panel = say("Show this message and exit."), say(PANEL)
            option.metavar = ""
        return option


@contextmanager
def _command_named(ctx: Any) -> Iterator[None]:
    """Note the command in errors of the block: an error of an option does not name it."""
    try:
        yield
    except typer.TyperException as problem:
        problem.ctx = ctx  # type: ignore[attr-defined]
        raise


class Command(_Translated, TyperCommand):
    """Command with translated help and errors."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Return the arguments left over, which are none."""
        ctx.allow_extra_args = True  # the library's own error of too many arguments is an English sentence
        with _command_named(ctx):
            left = super().parse_args(ctx, args)
        if left and not ctx.resilient_parsing:
            raise UnexpectedArguments(left)
        return left


class Group(_Translated, TyperGroup):
    """Group of commands with translated help and errors."""

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of the commands in a user's order."""
        return arranged(super().list_commands(ctx), ctx.command_path)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Return the arguments of the command that is called."""
        with _command_named(ctx):
            left = super().parse_args(ctx, args)
        if not ctx._protected_args and not ctx.resilient_parsing:  # noqa: SLF001 (the name of the command called)
            raise MissingCommand
        return left

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Return the name of a command, the command and its arguments."""
        if not ctx.resilient_parsing and args[0] not in self.commands and not args[0].startswith("-"):
            raise UnknownCommand(args[0], [n for n in self.list_commands(ctx) if not self.commands[n].hidden])
        return super().resolve_command(ctx, args)


def _take_options() -> None:
    """Do nothing: the options of a group act by their callbacks."""


class CommandLine(typer.Typer):
    """Program or group of commands whose help follows the language, and whose commands share some options."""

    def __init__(self, *, is_program: bool = False, **options: Any) -> None:
        settings = {"help_option_names": ["-h", "--help"]} if is_program else None
        shared = {**ONCE, **EVERYWHERE} if is_program else EVERYWHERE
        super().__init__(
            cls=Group,
            no_args_is_help=True,
            callback=with_call_options(_take_options, shared),
            add_completion=is_program,
            context_settings=settings,
            **options,
        )

    def command(self, name: str | None = None, **options: Any) -> Callable[[Called], Called]:
        """Return the decorator that adds a command."""
        add = super().command(name, cls=Command, **options)

        def register(function: Called) -> Called:
            add(with_call_options(with_single_options(function)))
            return function

        return register
