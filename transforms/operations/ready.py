"""Preconditions of a run: no unfinished restore, and no missing recorded data."""

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
"""Marker file of an unfinished restore."""


def require_workspace(workspace: Workspace) -> None:
    """Check that a run would not create an empty warehouse beside stored data.

    Raises:
        WorkspaceError: the folder is an unfinished restore.
        DamagedError: the warehouse is missing, but the lake or copies of received files exist.
    """
    if (workspace.root / RESTORING).exists():
        raise WorkspaceError(
            "the restore of this workspace is unfinished",
            where=str(workspace.root),
            remedy="run the same 'taretrace restore' again",
        )
    if not workspace.warehouse.exists() and holds_data(workspace):
        raise DamagedError(
            "the warehouse is missing, but other stored data exist", where=str(workspace.warehouse), remedy=REPAIR
        )


def holds_data(workspace: Workspace) -> bool:
    """Return True if the lake or the copies of received files have any file."""
    return any(workspace.received.glob("??/*.json")) or bool(Lake(workspace.lake).listing())


def prepare_lake(warehouse: Warehouse, lake: Lake) -> None:
    """Remove files of interrupted runs, record the files of an earlier layout, and check the recorded files.

    Args:
        warehouse: the warehouse of the workspace, with the record of files.
        lake: the lake of the workspace.

    Raises:
        DamagedError: files are missing or damaged that binning cannot recreate.
    """
    lake.remove_orphans(IngestTarget(warehouse, lake).recorded)
    forget_misnamed(warehouse, lake)
    record_unrecorded_telemetry(warehouse, lake)
    require_lake(warehouse, lake, bins=False)


def remove_unfinished_files(workspace: Workspace) -> None:
    """Remove the unfinished files of interrupted runs from the workspace."""
    remove_partials(workspace.root, below=False)
    for place in (workspace.out, workspace.received, workspace.lake):
        if isinstance(place, Path):
            remove_partials(place)
    for folder in workspace.root.glob(f"{UNPACKED}*"):
        shutil.rmtree(folder)
