"""Tickets that name a machine whose logs show no work on that day."""

import datetime as dt
from collections.abc import Iterator

import polars as pl

from transforms.contracts.reason import reason
from transforms.joins.id_causes import find_id_cause
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_frames import JoinFrames, Paths

AROUND = dt.timedelta(days=1)
"""Work on the day before or after counts, because shifts cross midnight and a load may be weighed the next day."""
PILE = dt.timedelta(days=40)
"""Loads from a heap are weighed this long after the machine worked in their field (common practice, no source)."""
MIN_TICKETS, MIN_PCT = 3, 5.0
"""Fewer tickets than either, of those of a machine or of a mapping, are single slips (common practice, no source)."""


def tickets_of_idle_machines(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of tickets that name machines idle on that day, or unknown machines.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        The finding on unknown machines, then that on idle ones, by mapping; none without logs.
    """
    named = frames.loads.drop_nulls("machine_id")
    if not frames.logged.height:
        return
    for (mapping,), loads in named.partition_by("mapping", as_dict=True, maintain_order=True).items():
        yield from _unknown(str(mapping), loads, frames, paths)
        yield from _idle(str(mapping), loads, frames, paths)


def _unknown(mapping: str, loads: pl.DataFrame, frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    known = pl.concat([frames.logged["machine_id"], frames.machines["machine_id"]]).unique()
    alone = loads.filter(~pl.col("machine_id").is_in(known.implode()))
    cause = find_id_cause(alone["machine_id"], known)
    if not _is_reported(alone, loads) and not (cause and alone.height):
        return
    args = {"n": alone.height, "total": loads.height, "mapping": mapping, "example": alone["machine_id"][0]}
    where = {"column_key": "machine_id", "mapping": mapping, "folder": paths.folder}
    where["file"] = f"{paths.inbox}/{alone['file'][0]}"
    yield JoinFinding(
        mapping,
        alone.height,
        loads.height,
        reason("tickets_of_unknown_machines", **args),
        cause.why if cause else reason("not_in_list"),
        reason("choose_or_spell_ids" if cause else "choose_id_column", **where),
    )


def _idle(mapping: str, loads: pl.DataFrame, frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding on tickets within the days that a machine logged, but did not work; piles are not idle."""
    work = frames.logged.filter("worked").select("machine_id", pl.col("day").alias("work_day"))
    span = frames.logged.group_by("machine_id", maintain_order=True).agg(
        pl.col("day").min().alias("first_day"), pl.col("day").max().alias("last_day")
    )
    judged = loads.join(span, on="machine_id").filter(
        pl.col("day") > pl.col("first_day"), pl.col("day") < pl.col("last_day")
    )
    days = judged.join(work, on="machine_id").filter((pl.col("work_day") - pl.col("day")).abs() <= AROUND)
    heaps = judged.join(frames.worked_fields.rename({"day": "work_day"}), on=["machine_id", "field_id"]).filter(
        (pl.col("day") - pl.col("work_day")).is_between(-AROUND, PILE)
    )
    idle = judged.join(days, on="load_id", how="anti").join(heaps, on="load_id", how="anti")
    counts = judged.group_by("machine_id", maintain_order=True).agg(
        pl.len(), pl.col("load_id").is_in(idle["load_id"].implode()).sum().alias("idle")
    )
    often = counts.filter(pl.col("idle") >= MIN_TICKETS, 100 * pl.col("idle") >= MIN_PCT * pl.col("len"))
    idle, judged = (rows.join(often, on="machine_id", how="semi") for rows in (idle, judged))
    if not idle.height:
        return
    first = idle.sort("day", "load_id").row(0, named=True)
    args = {"n": idle.height, "total": judged.height, "mapping": mapping, "machine_id": first["machine_id"]}
    yield JoinFinding(
        mapping,
        idle.height,
        judged.height,
        reason("tickets_of_idle_machines", **args, day=str(first["day"]), load_id=first["load_id"]),
        reason("machine_or_log_wrong"),
        reason("correct_tickets_or_logs", mapping=mapping, machine_id=first["machine_id"], inbox=paths.inbox),
    )


def _is_reported(part: pl.DataFrame, whole: pl.DataFrame) -> bool:
    return part.height >= MIN_TICKETS and 100 * part.height >= MIN_PCT * whole.height
