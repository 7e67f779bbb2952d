"""The command `translate`."""

import typer

from flows.cli.options import HERE, Folder, Json
from flows.cli.report import print_pages
from reports.language.translate import mark, say
from transforms.config.workspace import Workspace


def translate(folder: Folder = HERE, as_json: Json = False) -> None:
    """Write the catalogue of all English texts, for pages in another language or with other words.

    Translate it with any editor of gettext catalogues, and save it as text/LANGUAGE.po in the workspace.
    """
    from flows.stages import pages

    workspace = Workspace(folder)
    next_step = say(
        "Next: set locale in season.toml (now {language}) and translate the catalogue as text/LANGUAGE.po",
        language=workspace.season.locale,
    )
    path = pages.write_text_catalogue(workspace).resolve()
    print_pages(as_json, "catalogue", mark("Catalogue: {page}"), [path], [next_step])


def register_translate(app: typer.Typer) -> None:
    """Add this command to the program."""
    app.command()(translate)
