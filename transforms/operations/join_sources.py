"""Checks of joins over the warehouse: after an ingest, and over files that `check` only previews."""

import datetime as dt

import polars as pl

from transforms.config.workspace import Season, Workspace
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_findings import join_findings
from transforms.joins.join_frames import JoinFrames, Paths
from transforms.storage.lake import Lake, read_frame
from transforms.storage.lake_record import recorded_files
from transforms.storage.warehouse import Warehouse

RECEIVED = (
    "source_file",
    "received_load",
    "received_tare",
    "received_field",
    "received_machine_setup",
    "received_loss_audit",
    "lake_file",
)
"""Tables of received rows that a preview adds rows to."""
COMPUTED = ("machine_day", "field_day", "mass_balance")
"""Tables of earlier runs that a preview takes unchanged."""
COMPARED_SETTINGS = ("machine_id", "share_depth_cm")
MIN_LOWERED_CM = 0.5
"""Shares that are less deep than this are raised (common practice, no source)."""


def find_join_findings(warehouse: Warehouse, workspace: Workspace) -> list[JoinFinding]:
    """Return the findings on the joins of a warehouse.

    Args:
        warehouse: the warehouse, or a preview of it.
        workspace: the workspace, for its season and the paths that remedies name.
    """
    if not warehouse.table("source_file").height:
        return []
    paths = Paths(str(workspace.root), str(workspace.inbox))
    return join_findings(read_join_frames(warehouse, workspace.season), paths)


def read_join_frames(warehouse: Warehouse, season: Season) -> JoinFrames:
    """Return the keys and figures of all sources."""
    starts = season.shift_starts
    shift = {"zone": season.time_zone, "shift_starts": dt.timedelta(hours=starts.hour, minutes=starts.minute)}
    loads, machines = warehouse.query("join_load", **shift), warehouse.table("machine").select("machine_id")
    days = warehouse.query("join_machine_day")
    named = pl.concat([machines["machine_id"], days["machine_id"], loads["machine_id"]]).drop_nulls().unique().sort()
    folders = {"machine": [Lake.folder_name(m) for m in named], "id": named.to_list()}
    ids = pl.DataFrame(folders, schema=dict.fromkeys(folders, pl.String)).unique("machine", keep="first")
    machine_id = pl.coalesce("id", pl.col("machine").str.replace(r"~[0-9a-f]{8}$", "")).alias("machine_id")
    mappings = warehouse.query("file_mapping")
    has_settings = _has_settings(warehouse)
    return JoinFrames(
        loads=loads,
        tares=warehouse.query("join_tare"),
        fields=warehouse.query("join_field"),
        machines=machines,
        logged=days.drop("machine_id").join(ids, on="machine", how="left").with_columns(machine_id).drop("id"),
        worked_fields=warehouse.query("join_worked_field").join(ids, on="machine").rename({"id": "machine_id"}),
        balance=warehouse.query("join_balance"),
        audits=warehouse.query("audit_ground").join(mappings, on="source_sha256", how="left"),
        settings=warehouse.table("load_setting").select(COMPARED_SETTINGS) if has_settings else pl.DataFrame(),
        truck_days=warehouse.query("join_truck_day"),
    )


def _has_settings(warehouse: Warehouse) -> bool:
    return warehouse.has("load_setting") and set(COMPARED_SETTINGS) <= set(warehouse.columns("load_setting"))


class JoinPreview:
    """Warehouse in memory with the stored rows and those of previewed files.

    Args:
        stored: the warehouse of the workspace.
    """

    def __init__(self, stored: Warehouse) -> None:
        self.warehouse = Warehouse.in_memory()
        for name in (*RECEIVED, *COMPUTED):
            self.warehouse.append(name, stored.table(name))
        self.warehouse.append("received_truck_position", stored.query("truck_position_sample"))
        self._settings = pl.DataFrame(schema={"machine_id": pl.String, "share_depth_cm": pl.Float64})
        if _has_settings(stored):
            self._settings = stored.table("load_setting").select(COMPARED_SETTINGS)
            self.warehouse.store("load_setting", self._settings)

    def add(self, previewed: Warehouse, lake: Lake) -> None:
        """Add the rows of one previewed file, and some of the share depths in its telemetry.

        A file that an earlier run could not read is recorded already; its new rows replace that record.
        """
        for sha in previewed.table("source_file")["source_sha256"].unique():
            self.warehouse.delete_source(sha)
        for name in RECEIVED:
            self.warehouse.append(name, previewed.table(name))
        self.warehouse.append("received_truck_position", previewed.query("truck_position_sample"))
        depths = [_depths(lake, file.path) for file in recorded_files(previewed, "telemetry")]
        self._settings = pl.concat([self._settings, *(d for d in depths if d is not None)])
        self.warehouse.store("load_setting", self._settings)


def _depths(lake: Lake, path: str) -> pl.DataFrame | None:
    """Return every tenth share depth of a telemetry file that is not raised; None if it has none."""
    records = read_frame(lake.at(path))
    if not set(COMPARED_SETTINGS) <= set(records.columns):
        return None
    depth = pl.col("share_depth_cm").cast(pl.Float64)
    return records.gather_every(10).select("machine_id", depth).filter(depth > MIN_LOWERED_CM)
