"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

from flows.runtime.language import set_workspace_language

HERE = Path()
"""Default workspace: the current folder."""


def _open_in_its_language(folder: Path) -> Path:
    """Set the language of everything that a command prints to that of the workspace it opens."""
    set_workspace_language(folder)
    return folder


Folder = Annotated[
    Path,
    typer.Argument(help="Path of the workspace folder.", show_default=True, callback=_open_in_its_language),
]
FolderOption = Annotated[
    Path, typer.Option("--workspace", "-w", help="Path of the workspace folder.", callback=_open_in_its_language)
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON, and nothing else, on standard output.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with code 1 if any row was rejected.")]
Wait = Annotated[
    float, typer.Option(min=0, help="Wait up to this many seconds if another run has locked the workspace.")
]
Pdf = Annotated[bool, typer.Option("--pdf", help="Write the page as PDF as well.")]
Xlsx = Annotated[bool, typer.Option("--xlsx", help="Write the tables of the page as an Excel workbook as well.")]
OpenPage = Annotated[bool, typer.Option("--open", help="Open the page in the browser.")]
OpenIndex = Annotated[bool, typer.Option("--open", help="Open the index of all pages in the browser.")]
