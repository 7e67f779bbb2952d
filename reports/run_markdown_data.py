"""Data of the summary of a run."""

import polars as pl

from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse


def load_moves(workspace: Workspace) -> pl.DataFrame:
    """Return the setting changes advised for the next shift, rows of `advice`."""
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        return warehouse.table("advice").filter(pl.col("verdict") == "move")
