"""Arguments and options that several commands share."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.call_options import new_folder, new_workspace, open_workspace
from reports.language.translate import mark

HERE = Path()
"""Default workspace: the nearest one, else the current folder."""
Folder = Annotated[
    Path,
    typer.Argument(help="Workspace folder, the same as --workspace.", show_default=False, callback=open_workspace),
]
NewWorkspace = Annotated[
    Path,
    typer.Argument(
        help="Folder of the workspace (default: the current one).", show_default=False, callback=new_workspace
    ),
]
NewFolder = Annotated[Path, typer.Argument(help="Path of the new folder.", show_default=True, callback=new_folder)]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON, and nothing else, on standard output.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with code 1 if any row was rejected.")]
Wait = Annotated[
    float,
    typer.Option(
        metavar=mark("SECONDS"), min=0, help="Wait up to this many seconds if another run has locked the workspace."
    ),
]
Pdf = Annotated[bool, typer.Option("--pdf", help="Write the page as PDF as well.")]
Xlsx = Annotated[bool, typer.Option("--xlsx", help="Write the tables of the page as an Excel workbook as well.")]
OpenPage = Annotated[bool, typer.Option("--open", help="Open the page in the browser.")]
OpenIndex = Annotated[bool, typer.Option("--open", help="Open the index of all pages in the browser.")]


@dataclass(frozen=True)
class PageOptions:
    """Options of a command that prints a table or writes a page."""

    is_page: Annotated[
        bool, typer.Option("--page", help="Write the page with all comparisons instead of printing one.")
    ] = False
    pdf: Pdf = False
    xlsx: Xlsx = False
    is_opened: OpenPage = False

    @property
    def is_asked(self) -> bool:
        """True if any option asks for the page."""
        return self.is_page or self.pdf or self.xlsx or self.is_opened
