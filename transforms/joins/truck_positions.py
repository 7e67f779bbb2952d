"""Trucks of positions that occur on no ticket, and trucks on tickets without positions."""

from collections.abc import Iterator

import polars as pl

from transforms.contracts.reason import reason
from transforms.joins.id_causes import find_id_cause
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_frames import JoinFrames, Paths

MIN_ROWS, MIN_PCT = 3, 50.0
"""Fewer trucks or tickets than either are other traffic, or trucks without a tracker (common practice, no source)."""


def positions_without_tickets(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of positions whose trucks occur on no ticket, or whose tickets name no truck.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping of positions; its counts are trucks.
    """
    on_tickets = frames.loads["truck_id"].drop_nulls().unique()
    for (mapping,), rows in frames.truck_days.partition_by("mapping", as_dict=True, maintain_order=True).items():
        trucks = rows.unique("truck_id", keep="first", maintain_order=True)
        if not on_tickets.len():
            yield from _no_truck_on_tickets(str(mapping), trucks, frames, paths)
            continue
        alone = trucks.filter(~pl.col("truck_id").is_in(on_tickets.implode()))
        cause = find_id_cause(alone["truck_id"], on_tickets)
        if not _is_reported(alone, trucks) and not (cause and alone.height):
            continue
        args = {"n": alone.height, "total": trucks.height, "mapping": mapping, "example": alone["truck_id"][0]}
        where = {"column_key": "truck_id", "mapping": mapping, "folder": paths.folder}
        where["file"] = f"{paths.inbox}/{alone['file'][0]}"
        yield JoinFinding(
            str(mapping),
            alone.height,
            trucks.height,
            reason("positions_of_unknown_trucks", **args),
            cause.why if cause else reason("ids_of_other_column"),
            reason("choose_or_spell_ids" if cause else "choose_id_column", **where),
        )


def _no_truck_on_tickets(mapping: str, trucks: pl.DataFrame, frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    if not frames.loads.height:
        return
    tickets = frames.loads["mapping"][0]
    yield JoinFinding(
        mapping,
        trucks.height,
        trucks.height,
        reason("positions_without_truck_on_tickets", n=trucks.height, mapping=mapping),
        reason("tickets_name_no_truck"),
        reason("map_truck_of_tickets", mapping=tickets, folder=paths.folder),
    )


def tickets_without_positions(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of tickets most of whose trucks have no position, on days with positions.

    Trucks that are spelled in another way are left to `positions_without_tickets`.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping of tickets; its counts are tickets of days with positions.
    """
    days, tracked = frames.truck_days["day"].unique(), frames.truck_days["truck_id"].unique()
    named = frames.loads.drop_nulls("truck_id").filter(pl.col("day").is_in(days.implode()))
    for (mapping,), loads in named.partition_by("mapping", as_dict=True, maintain_order=True).items():
        alone = loads.filter(~pl.col("truck_id").is_in(tracked.implode()))
        if not _is_reported(alone, loads) or find_id_cause(tracked, alone["truck_id"]):
            continue
        args = {"n": alone.height, "total": loads.height, "mapping": mapping, "example": alone["truck_id"][0]}
        yield JoinFinding(
            str(mapping),
            alone.height,
            loads.height,
            reason("tickets_without_positions", **args),
            reason("positions_not_received"),
            reason("send_positions", inbox=paths.inbox),
        )


def _is_reported(part: pl.DataFrame, whole: pl.DataFrame) -> bool:
    return part.height >= MIN_ROWS and 100 * part.height >= MIN_PCT * whole.height
