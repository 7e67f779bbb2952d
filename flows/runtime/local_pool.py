"""This machine's helper processes, started at once where there is much to work out."""

from collections.abc import Iterator
from contextlib import contextmanager

from transforms.config.workspace import Workspace
from transforms.parallel import ProcessExecutor

MUCH_BYTES = 25_000_000
"""A warehouse of more than this has fits that are worth more than one process."""


@contextmanager
def helpers(workspace: Workspace) -> Iterator[ProcessExecutor]:
    """Yield how work is spread over this machine's processors."""
    with ProcessExecutor() as local:
        if workspace.warehouse.exists() and workspace.warehouse.stat().st_size > MUCH_BYTES:
            local.warm()
        yield local
