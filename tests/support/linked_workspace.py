"""A workspace of one's own with the data of another: files that are replaced as a whole are linked, others copied."""

import os
import shutil
from pathlib import Path

from transforms.config.workspace import HOME, Workspace

LINKED = ("inbox", "lake", "received")
LEFT_OUT = (HOME, "out", "truth")


def linked_copy(workspace: Workspace, folder: Path) -> Workspace:
    """Return a workspace with the data of another, which stays as it is."""
    folder.mkdir(mode=0o700)
    for path in workspace.root.iterdir():
        if path.name in LEFT_OUT:
            continue
        copy = os.link if path.name in LINKED else shutil.copy2
        if path.is_dir():
            shutil.copytree(path, folder / path.name, copy_function=copy)
        else:
            shutil.copy2(path, folder / path.name)
    (folder / "out").mkdir()
    return Workspace(folder)
