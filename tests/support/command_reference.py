"""Reference of all commands, `flows/COMMANDS.md`, written from their help texts.

`python -m tests.support.command_reference` (or `poe reference`) writes it again.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import typer

from flows.cli.app import app
from flows.cli.call_errors import choices_of
from flows.cli.call_options import COMPLETION, EVERYWHERE
from flows.cli.help import ARGUMENTS, TYPES
from flows.cli.panels import arranged, panels_of
from reports.language.help_text import help_paragraphs

PAGE = Path(__file__).parents[2] / "flows" / "COMMANDS.md"
FREQUENT = ("--pdf", "--xlsx", "--open", "--wait", "--json")
OPENING = """# Commands

This page is written from the help of the commands by `poe reference`; `taretrace COMMAND -h` shows the same in the
language of the workspace.

A workspace is named by `-w FOLDER`, by the variable `TARETRACE_WORKSPACE`, or as the last argument; without any of
these, it is the nearest folder upwards with a `season.toml`. `init` creates it in the current folder; `demo`,
`examples` and `restore` write a new folder, and ignore the variable.
"""


def page() -> str:
    """Return the text of the reference."""
    program: Any = typer.main.get_command(app)
    lines = [OPENING, *_options_table(_shared(program), "Options of every command", ["`--help, -h` | Show the help."])]
    lines += _options_table(_frequent(program), "Options of several commands, named there")
    lines += _options_table([p for p in program.params if p.name not in EVERYWHERE], "Options of the program")
    for panel, names in panels_of("taretrace").items():
        lines.append(f"## {panel}\n")
        for name in names:
            lines += _section(program.commands[name], f"taretrace {name}")
    return "\n".join(lines).rstrip() + "\n"


def _shared(program: Any) -> list[Any]:
    return [p for p in program.params if p.name in EVERYWHERE]


def _frequent(program: Any) -> list[Any]:
    """Return the options that several commands share, each once."""
    found = {p.opts[0]: p for c in program.commands["report"].commands.values() for p in c.params}
    return [found[name] for name in FREQUENT]


def _section(command: Any, path: str) -> Iterator[str]:
    """Yield the lines of a command, or of a group and its commands."""
    inner = getattr(command, "commands", None)
    arguments = [p for p in command.params if p.param_type_name == "argument"]
    shown = [f"{{{ARGUMENTS[p.name]}}}" if p.required else f"[{ARGUMENTS[p.name]}]" for p in arguments]
    yield f"### `{' '.join([path, *shown])}`\n"
    for paragraph in help_paragraphs(command.help or ""):
        yield paragraph + "\n"
    if inner is None:
        own = [p for p in command.params if p.param_type_name == "option" and p.name not in EVERYWHERE]
        yield from _options_table([p for p in own if p.opts[0] not in FREQUENT])
        if also := [f"`{name}`" for name in FREQUENT if name in {p.opts[0] for p in own}]:
            yield f"Also: {', '.join(also)}.\n"
        return
    for paragraph in help_paragraphs(command.epilog or ""):
        yield paragraph + "\n"
    for name in arranged(list(inner), path):
        if not inner[name].hidden:
            yield from _section(inner[name], f"{path} {name}")


def _options_table(options: list[Any], title: str = "option", more: Sequence[str] = ()) -> Iterator[str]:
    """Yield the lines of a table of options; nothing without options."""
    if not options:
        return
    yield f"| {title} | |\n|---|---|"
    for param in options:
        yield f"| {_names(param)} | {_meaning(param)} |"
    yield from (f"| {row} |" for row in more)
    yield ""


def _names(param: Any) -> str:
    name = "" if param.is_flag else param.metavar or _type_name(param)
    words = ", ".join((*param.opts, *param.secondary_opts))
    return f"`{words} {name}`".replace(" `", "`")


def _type_name(param: Any) -> str:
    if param.min is not None and param.max is not None:
        return f"{param.min:g} to {param.max:g}"
    kind = param.type_descriptor.annotation
    return TYPES.get(kind, "") or next((n for t, n in TYPES.items() if t.__name__ in str(kind)), "TEXT")


def _meaning(param: Any) -> str:
    meaning = " ".join(help_paragraphs(COMPLETION.get(param.name) or param.help or ""))
    if choices := choices_of(param):
        meaning += f" One of: {', '.join(choices)}."
    default = getattr(param.default, "value", param.default)
    return (
        meaning
        if default is None or default is False or default is True or default == []
        else f"{meaning} Default: {default}."
    )


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
