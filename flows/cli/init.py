"""The commands `init` and `schema`: create a workspace, and the schemas with which editors check its files."""

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from flows.cli.options import HERE, Folder, Json, NewWorkspace
from flows.cli.output import finish, line_with, strong
from reports.language.translate import mark, say, set_language, translated
from transforms.config.workspace import Season, Workspace, init_workspace
from transforms.errors import WorkspaceError


@dataclass(frozen=True)
class SeasonOptions:
    """Answers given as options."""

    zone: Annotated[
        str | None,
        typer.Option(metavar=mark("ZONE"), help="Set the time zone of the shifts, such as Europe/Prague."),
    ] = None
    locale: Annotated[
        str | None,
        typer.Option(
            metavar=mark("LOCALE"), help="Set language and country of the pages, such as en-GB, de-DE or pl-PL."
        ),
    ] = None
    units: Annotated[
        Literal["metric", "us"] | None, typer.Option(metavar=mark("UNITS"), help="Set the units on the pages.")
    ] = None
    factory: Annotated[
        list[str],
        typer.Option(metavar=mark("FACTORY"), help="Add a factory, NAME or NAME=LATITUDE,LONGITUDE; repeatable."),
    ] = field(default_factory=list)
    values: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar=mark("KEY=VALUE"),
            help="Set a key of [season] or [prices], such as shift_starts=06:00 or beet_per_t=41.5; repeatable.",
        ),
    ] = field(default_factory=list)


def init(
    folder: NewWorkspace = HERE,
    options: SeasonOptions = SeasonOptions(),
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--yes", help="Ask for what is not given, or take defaults (default: ask on a terminal)."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Create a workspace: a commented season.toml and the folders for your files.

    On a terminal it asks for time zone, factories, units, shift start, language and the five prices that matter most.
    Each answer can be given as an option instead. An existing season.toml is never changed.
    """
    from flows.cli.init_answers import given_answers
    from transforms.config.json_schema import write_schemas
    from transforms.config.season_comments import translate_comments
    from transforms.config.season_writer import SeasonAnswers, season_text

    given = given_answers(
        {"time_zone": options.zone, "locale": options.locale, "units": options.units}, options.factory, options.values
    )
    file = folder / "season.toml"
    is_new = not file.exists()
    if not is_new and given != SeasonAnswers():
        raise WorkspaceError(
            "season.toml exists already, and options do not change it",
            where=str(folder),
            remedy="change them in season.toml, or name another folder",
        )
    if is_new and (sys.stdin.isatty() and not as_json if ask is None else ask):
        from rich.console import Console

        from flows.cli.init_dialog import Interview

        given = Interview(Console(stderr=as_json), given).ask_all()
    if is_new:
        set_language(given.season.get("locale", Season.locale))
    text = translate_comments(season_text(given), translated) if is_new else None
    workspace = init_workspace(folder, text)
    write_schemas(folder, workspace.season.catalogue)
    _report(folder, as_json, is_new=is_new)


def _report(folder: Path, as_json: bool, *, is_new: bool) -> None:
    """Print the result and the next steps."""
    created = (
        say("Workspace ready in {folder}", folder=folder.resolve())
        if is_new
        else say("Workspace ready in {folder}; its season.toml is unchanged", folder=folder.resolve())
    )
    steps: list[tuple[str, str]] = [
        (mark("Check prices and factories: {command}"), str(folder / "season.toml")),
        (mark("Once per kind of export, see how it is read: {command}"), f"taretrace map FILE -w {folder}"),
        (mark("Copy all files into {command}"), str(folder / "inbox")),
        (mark("See what would become of every row: {command}"), f"taretrace check {folder}"),
        (mark("Run the whole job: {command}"), f"taretrace post-shift {folder}"),
        (mark("To see a file of each kind and its mapping first: {command}"), "taretrace examples"),
    ]
    lines: list[Any] = [created, say("Next:"), *(line_with(text, command=strong(what)) for text, what in steps)]
    finish(as_json, {"workspace": folder}, lines)


def schema(folder: Folder = HERE, as_json: Json = False) -> None:
    """Write the JSON schemas with which editors check and complete season.toml and mappings.

    `init` writes them too. Run it again after you add settings to season.toml, or update taretrace.
    """
    from transforms.config.json_schema import write_schemas

    season_file, mapping_file = write_schemas(folder, Workspace(folder).season.catalogue)
    finish(
        as_json,
        {"season": season_file, "mapping": mapping_file},
        [
            say("Wrote {season} and {mapping}", season=season_file.resolve(), mapping=mapping_file.name),
            line_with(
                mark("Editors find them by the first line of a file: {season} in season.toml, {mapping} in a mapping"),
                season=strong(f"#:schema ./{season_file.name}"),
                mapping=strong(f"#:schema ../{mapping_file.name}"),
            ),
        ],
    )
