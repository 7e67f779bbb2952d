"""Options of every command: the workspace, the amount of output, and colour."""

import inspect
import os
from collections.abc import Callable, Sequence
from functools import wraps
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated, Any

import typer

from flows.cli.call_errors import ContradictingOptions, TwoWorkspaces
from flows.runtime.language import set_workspace_language
from flows.runtime.verbosity import VERBOSITY
from reports.language.translate import mark

VARIABLE = "TARETRACE_WORKSPACE"
"""Environment variable that names the workspace."""
PANEL = mark("Options of every command")
COMPLETION = {
    "install_completion": mark("Install the completion of commands and options in this shell."),
    "show_completion": mark("Print the completion script of this shell, to install it by hand."),
}
"""Options for completion, which the library adds -> their help."""
OPTION_KEY, VARIABLE_KEY = "taretrace.workspace.option", "taretrace.workspace.variable"
"""Keys of the call's context: the folder named by the option, and the one named by the variable."""


def nearest_workspace(here: Path) -> Path | None:
    """Return the nearest folder with a season.toml, from `here` upwards; None if there is none."""
    return next((folder for folder in (here, *here.parents) if (folder / "season.toml").is_file()), None)


def _was_given(ctx: typer.Context, name: str, source: str) -> bool:
    found = ctx.get_parameter_source(name)
    return found is not None and found.name == source


def _remember_workspace(ctx: typer.Context, value: Path | None) -> None:
    """Keep the folder of the option or of the variable for the command, which may be inside a group."""
    if value is not None:
        ctx.meta[OPTION_KEY if _was_given(ctx, "workspace", "COMMANDLINE") else VARIABLE_KEY] = value


def _set_quiet(ctx: typer.Context, value: bool) -> None:
    VERBOSITY.is_quiet = VERBOSITY.is_quiet or (value and not ctx.resilient_parsing)
    _check_verbosity()


def _set_verbose(ctx: typer.Context, value: bool) -> None:
    VERBOSITY.is_verbose = VERBOSITY.is_verbose or (value and not ctx.resilient_parsing)
    _check_verbosity()


def _check_verbosity() -> None:
    if VERBOSITY.is_quiet and VERBOSITY.is_verbose:
        raise ContradictingOptions("--quiet", "--verbose")


def program_version() -> str:
    """Return the installed version; "?" if the program runs from its sources."""
    try:
        return version("taretrace")
    except PackageNotFoundError:
        return "?"


def _show_version(ctx: typer.Context, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        typer.echo(f"taretrace {program_version()}")
        raise typer.Exit


Workspace = Annotated[
    Path | None,
    typer.Option(
        "--workspace",
        "-w",
        metavar=mark("FOLDER"),
        envvar=VARIABLE,
        is_eager=True,
        callback=_remember_workspace,
        rich_help_panel=PANEL,
        help="Use the workspace in this folder (default: the nearest folder upwards with a season.toml).",
    ),
]
Quiet = Annotated[
    bool,
    typer.Option(
        "--quiet",
        "-q",
        is_eager=True,
        callback=_set_quiet,
        rich_help_panel=PANEL,
        help="Print only results and errors, no progress.",
    ),
]
Verbose = Annotated[
    bool,
    typer.Option(
        "--verbose",
        "-v",
        is_eager=True,
        callback=_set_verbose,
        rich_help_panel=PANEL,
        help="Print more: the workspace in use, the start of each stage, the source of internal errors.",
    ),
]
NoColor = Annotated[
    bool,
    typer.Option("--no-color", rich_help_panel=PANEL, help="Print without colours, as if NO_COLOR were set."),
]
Version = Annotated[
    bool,
    typer.Option("--version", is_eager=True, callback=_show_version, help="Print the version and exit."),
]
EVERYWHERE: dict[str, tuple[Any, Any]] = {
    "workspace": (Workspace, None),
    "quiet": (Quiet, False),
    "verbose": (Verbose, False),
    "no_color": (NoColor, False),
}
"""Parameter of every command -> (its type and option, its default)."""
ONCE: dict[str, tuple[Any, Any]] = {"version": (Version, False)}
"""Parameter of the program alone -> (its type and option, its default)."""


def with_call_options(
    function: Callable[..., Any], options: dict[str, tuple[Any, Any]] = EVERYWHERE
) -> Callable[..., Any]:
    """Return a command that also takes the options of every command, which act by their callbacks.

    Args:
        function: the command.
        options: parameters to add, with type and default.
    """
    own = inspect.signature(function, eval_str=True)
    added = [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=kind)
        for name, (kind, default) in options.items()
    ]

    @wraps(function)
    def call(**values: Any) -> Any:
        return function(**{name: values[name] for name in own.parameters})

    call.__signature__ = own.replace(parameters=[*own.parameters.values(), *added])  # type: ignore[attr-defined]
    return call


def set_colour(words: Sequence[str]) -> None:
    """Switch off colours if the call has `--no-color`, before help or an error is printed."""
    if "--no-color" in words:
        os.environ["NO_COLOR"] = "1"


def _named(ctx: typer.Context, given: Path | None, *, use_variable: bool = True) -> Path | None:
    """Return the folder that a call names by argument, option or variable; None if it names none.

    Raises:
        TwoWorkspaces: argument and option name different folders.
    """
    argument = given if _was_given(ctx, "folder", "COMMANDLINE") else None
    option = ctx.meta.get(OPTION_KEY)
    if argument is not None and option is not None and argument.resolve() != option.resolve():
        raise TwoWorkspaces(argument, option)
    return argument or option or (ctx.meta.get(VARIABLE_KEY) if use_variable else None)


def open_workspace(ctx: typer.Context, folder: Path) -> Path:
    """Return the workspace of a call, and set the language of everything that the command prints to its language."""
    named = _named(ctx, folder)
    found = folder
    if named is not None:
        found = named
    elif (nearest := nearest_workspace(Path.cwd())) is not None and nearest != Path.cwd():
        found = nearest
    set_workspace_language(found)
    if VERBOSITY.is_verbose and not ctx.resilient_parsing:
        _describe_workspace(found)
    return found


def _describe_workspace(folder: Path) -> None:
    from flows.cli.output import complain
    from reports.language.translate import say

    complain(say("version {version}, workspace {folder}", version=program_version(), folder=folder.resolve()))


def new_workspace(ctx: typer.Context, folder: Path) -> Path:
    """Return the folder in which `init` creates a workspace; an existing workspace further up does not matter."""
    found = _named(ctx, folder) or folder
    set_workspace_language(found)
    return found


def new_folder(ctx: typer.Context, folder: Path | None) -> Path | None:
    """Return the folder of a command that writes a new one.

    The variable is ignored: it names the workspace of the season, in which nothing invented or restored belongs.
    """
    return _named(ctx, folder, use_variable=False) or folder
