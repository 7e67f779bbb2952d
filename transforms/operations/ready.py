"""The conditions under which a run may start: no restore is unfinished, and nothing that is recorded is missing."""

import shutil
from pathlib import Path

from transforms.config.workspace import Workspace
from transforms.errors import DamagedError, WorkspaceError
from transforms.ingest.ingest_file import IngestTarget
from transforms.ingest.kept_copies import UNPACKED
from transforms.ingest.pending import forget_misnamed
from transforms.storage.atomic_file import remove_partials
from transforms.storage.lake import Lake
from transforms.storage.lake_record import record_unrecorded_telemetry, require_lake
from transforms.storage.warehouse import Warehouse
from transforms.storage.warehouse_faults import REPAIR

RESTORING = ".restoring"
"""The note that a folder is an unfinished restore."""


def require_workspace(workspace: Workspace) -> None:
    """Refuse to make an empty warehouse beside stored data.

    Raises:
        WorkspaceError: the folder is an unfinished restore.
        DamagedError: the warehouse is missing, but the lake or copies of received files are there.
    """
    if (workspace.root / RESTORING).exists():
        raise WorkspaceError(
            "the restore of this workspace was not finished",
            where=str(workspace.root),
            remedy="run the same 'taretrace restore' again",
        )
    if not workspace.warehouse.exists() and holds_data(workspace):
        raise DamagedError(
            "the warehouse is missing, but stored data are there", where=str(workspace.warehouse), remedy=REPAIR
        )


def holds_data(workspace: Workspace) -> bool:
    """Return whether the lake or the copies of received files hold anything."""
    return any(workspace.received.glob("??/*.json")) or bool(Lake(workspace.lake).listing())


def ready_lake(warehouse: Warehouse, lake: Lake) -> None:
    """Remove what interrupted runs left, record the files of an earlier layout, and require all that is recorded.

    Raises:
        DamagedError: files are missing or damaged that binning cannot make again.
    """
    lake.sweep(IngestTarget(warehouse, lake).recorded)
    forget_misnamed(warehouse, lake)
    record_unrecorded_telemetry(warehouse, lake)
    require_lake(warehouse, lake, bins=False)


def tidy(workspace: Workspace) -> None:
    """Remove unfinished files that interrupted runs left in the workspace."""
    remove_partials(workspace.root, below=False)
    for place in (workspace.out, workspace.received, workspace.lake):
        if isinstance(place, Path):
            remove_partials(place)
    for folder in workspace.root.glob(f"{UNPACKED}*"):
        shutil.rmtree(folder)
