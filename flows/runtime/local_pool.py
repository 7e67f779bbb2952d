"""Worker processes of this machine, started early if the workspace is large."""

from collections.abc import Iterator
from contextlib import contextmanager

from transforms.config.workspace import Workspace
from transforms.parallel import ProcessExecutor

LARGE_WAREHOUSE_BYTES = 25_000_000
"""Fits of a warehouse above this size gain from more than one process."""


@contextmanager
def helpers(workspace: Workspace) -> Iterator[ProcessExecutor]:
    """Yield an executor that uses all processors of this machine."""
    with ProcessExecutor() as executor:
        if workspace.warehouse.exists() and workspace.warehouse.stat().st_size > LARGE_WAREHOUSE_BYTES:
            executor.warm()
        yield executor
