"""The command `examples`: a workspace with a small file of every kind, and the mappings that read them."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from flows.cli.options import Json, NewFolder
from flows.cli.output import finish, line_with, strong
from reports.language.translate import mark, set_language, translated
from transforms.errors import WorkspaceError

ExampleLanguage = Literal["en", "de", "pl"]


def examples(
    folder: NewFolder = Path("examples"),
    language: Annotated[
        ExampleLanguage | None,
        typer.Option(metavar=mark("LANGUAGE"), help="Write the files of one language (default: all)."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Write a small invented file of every kind, with the mapping that reads it, as a workspace to try things on.

    Compare a file in inbox/ with its mapping in mappings/; `taretrace map` on a file shows how such a mapping is made.
    """
    from flows.cli.intake_tables import examples_table
    from transforms.config.json_schema import write_schemas
    from transforms.config.season_comments import translate_comments
    from transforms.config.season_writer import SeasonAnswers, season_text
    from transforms.config.settings_catalogue import load_catalogue
    from transforms.config.workspace import init_workspace
    from transforms.demo.example_files import write_examples
    from transforms.demo.example_rows import REGIONS

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise WorkspaceError(
            "the folder is not empty, so nothing was written", where=str(folder), remedy="name a new folder"
        )
    languages: list[str] = list(REGIONS) if language is None else [language]
    first = REGIONS["de" if language is None else language]
    locale = "en-GB" if language is None else first.locale
    set_language(locale)
    season = {"name": "Examples (invented)", "time_zone": first.zone, "units": first.units, "locale": locale}
    sites = {REGIONS[n].site: (REGIONS[n].lat_deg, REGIONS[n].lon_deg) for n in languages}
    workspace = init_workspace(folder, translate_comments(season_text(SeasonAnswers(season, sites)), translated))
    catalogue = load_catalogue()
    write_schemas(folder, catalogue)
    written = write_examples(languages, workspace.inbox, workspace.mappings, catalogue)
    rows = [
        {"kind": e.kind, "file": e.file.relative_to(folder), "mapping": e.mapping.relative_to(folder), "rows": e.rows}
        for e in written
    ]
    tickets = next(e.file for e in written if e.kind == "load")
    steps = [
        (mark("See what would become of every row: {command}"), f"taretrace check {folder}"),
        (mark("See how a mapping is made, in a workspace without any: {command}"), "taretrace init trial --yes"),
        (mark("Then answer what the file does not state: {command}"), f"taretrace map {tickets} -w trial"),
    ]
    finish(
        as_json,
        {"workspace": folder, "files": rows},
        [line_with(text, command=strong(command)) for text, command in steps],
        [examples_table(rows)],
    )
