"""Rows whose id matches nothing: tares without a load, loads without a tare or field, machines in no list."""

import datetime as dt
from collections.abc import Iterator

import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.joins.id_causes import IdCause, find_id_cause
from transforms.joins.join_finding import JoinFinding
from transforms.joins.join_frames import JoinFrames, Paths

MIN_UNEXPLAINED, MIN_UNEXPLAINED_PCT = 3, 3.0
"""Fewer unmatched rows than either, without a cause, are single slips of the pen (common practice, no source)."""
MIN_NONE_MATCH = 5
"""Minimum number of rows of a source, none of which matches, for another number column as their cause."""
SHIFT = dt.timedelta(hours=12)
"""A tare issued in the last shift before the newest ticket, or later, may have come before its load."""
MIN_OLD_LOADS = 5
"""Minimum number of loads of a site, older than the delay of the lab, for a finding on their tares."""
USUAL_DELAY = dt.timedelta(hours=72)
"""Delay of the lab if none of its results joins (common practice, no source)."""
MIN_DELAY, DELAY_QUANTILE, DELAY_FACTOR = dt.timedelta(hours=24), 0.95, 2.0


def tares_without_load(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of tares whose load numbers match no ticket.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping; its counts are samples; none without tickets.
    """
    loads = frames.loads["load_id"]
    if not loads.len():
        return
    newest: dt.datetime | None = frames.loads["weighed_at"].max()  # type: ignore[assignment]
    for (mapping,), tares in frames.tares.partition_by("mapping", as_dict=True, maintain_order=True).items():
        alone = tares.filter(~pl.col("load_id").is_in(loads.implode()))
        cause = find_id_cause(alone["load_id"], loads)
        if cause is None and newest is not None and 2 * alone.height < tares.height:
            alone = alone.filter(~_is_early(frames, newest))
        if not _is_reported(alone.height, tares.height, cause):
            continue
        args = {"n": alone.height, "total": tares.height, "pct": _pct(alone, tares), "mapping": mapping}
        yield JoinFinding(
            str(mapping),
            alone.height,
            tares.height,
            reason("tares_without_load", **args, example=alone["load_id"][0]),
            _why(cause, alone.height, tares.height),
            _fix_column("load_id", str(mapping), alone["file"][0], cause, paths),
        )


def _is_early(frames: JoinFrames, newest: dt.datetime) -> pl.Expr:
    """Return True for tares that may have come before the ticket of their load."""
    newest_file = frames.loads["file_at"].max()
    without_time = pl.col("issued_at").is_null() & (pl.col("file_at") > newest_file)
    return (pl.col("issued_at") > newest - SHIFT).fill_null(value=False) | without_time


def loads_without_tare(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding on the sites of which no load has a tare, though the lab has had the time for it.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        At most one finding, on all such sites; its counts are loads older than the delay of the lab.
    """
    if not frames.tares.height or not frames.loads.height:
        return
    sampled = pl.col("load_id").is_in(frames.tares["load_id"].implode())
    until = _sampled_until(frames)
    old = frames.loads.filter(pl.col("weighed_at") < until)
    sites = old.group_by("site_id", maintain_order=True).agg(pl.len(), sampled.sum().alias("sampled")).sort("site_id")
    bare = sites.filter(pl.col("sampled") == 0)
    enough = bare if bare.height == sites.height else bare.filter(pl.col("len") >= MIN_OLD_LOADS)
    loads = old.filter(pl.col("site_id").is_in(enough["site_id"].implode()))
    if loads.height < MIN_OLD_LOADS:
        return
    cause = find_id_cause(loads["load_id"], frames.tares["load_id"])
    alone = frames.tares.filter(~pl.col("load_id").is_in(frames.loads["load_id"].implode()))
    lab = (alone if alone.height else frames.tares).row(0, named=True)
    yield JoinFinding(
        ", ".join(enough["site_id"]),
        loads.height,
        old.height,
        reason("loads_without_tare", n=loads.height, sites=enough["site_id"].to_list(), example=loads["load_id"][0]),
        cause.why if cause else reason("ids_of_other_column"),
        _fix_column("load_id", lab["mapping"], lab["file"], cause, paths),
    )


def _sampled_until(frames: JoinFrames) -> dt.datetime:
    """Return the time before which a load should have its tare, from the usual delay of the lab."""
    joined = frames.tares.join(frames.loads.select("load_id", "weighed_at"), on="load_id")
    delays = joined.select((pl.col("issued_at") - pl.col("weighed_at")).alias("delay")).drop_nulls()
    usual: dt.timedelta = USUAL_DELAY
    if delays.height:
        usual = delays.select(pl.col("delay").quantile(DELAY_QUANTILE)).item() * DELAY_FACTOR
    newest: dt.datetime = frames.loads.select(pl.col("weighed_at").max()).item()
    return newest - max(usual, MIN_DELAY)


def loads_without_field(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of tickets whose fields are in no field list.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping; its counts are tickets.
    """
    fields = frames.fields["field_id"]
    for (mapping,), loads in frames.loads.partition_by("mapping", as_dict=True, maintain_order=True).items():
        alone = loads.filter(~pl.col("field_id").is_in(fields.implode()))
        cause = find_id_cause(alone["field_id"], fields)
        if fields.len() and not _is_reported(alone.height, loads.height, cause):
            continue
        args = {"n": alone.height, "total": loads.height, "pct": _pct(alone, loads), "mapping": mapping}
        yield JoinFinding(
            str(mapping),
            alone.height,
            loads.height,
            reason("loads_without_field", **args, example=alone["field_id"][0]),
            _why(cause, alone.height, loads.height) if fields.len() else reason("list_not_received"),
            _fix_column("field_id", str(mapping), alone["file"][0], cause, paths)
            if fields.len()
            else reason("map_the_list", folder=paths.folder),
        )


def machines_without_list(frames: JoinFrames, paths: Paths) -> Iterator[JoinFinding]:
    """Yield a finding for each mapping of logs of machines that are in no machine list.

    Args:
        frames: keys and figures of all sources.
        paths: paths that remedies name.

    Yields:
        A finding per mapping; its counts are machines.
    """
    listed = frames.machines["machine_id"]
    machines = (
        frames.logged.group_by("mapping", "machine_id", maintain_order=True)
        .agg(pl.col("file").min())
        .sort("mapping", "machine_id")
    )
    for (mapping,), logged in machines.partition_by("mapping", as_dict=True, maintain_order=True).items():
        alone = logged.filter(~pl.col("machine_id").is_in(listed.implode()))
        if not alone.height:
            continue
        cause = find_id_cause(alone["machine_id"], listed)
        args = {"n": alone.height, "mapping": mapping, "machines": alone["machine_id"].head(5).to_list()}
        if not listed.len():
            why, remedy = reason("list_not_received"), reason("map_the_list", folder=paths.folder)
        elif cause is None:
            why = reason("not_in_list")
            remedy = reason("add_to_list", folder=paths.folder)
        else:
            why, remedy = cause.why, _fix_column("machine_id", str(mapping), alone["file"][0], cause, paths)
        yield JoinFinding(
            str(mapping), alone.height, logged.height, reason("machines_without_list", **args), why, remedy
        )


def _pct(part: pl.DataFrame, whole: pl.DataFrame) -> float:
    return 100 * part.height / whole.height


def _is_reported(n: int, total: int, cause: IdCause | None) -> bool:
    """Return True if unmatched rows are more than single slips, or share a cause."""
    return n > 0 and (cause is not None or (n >= MIN_UNEXPLAINED and 100 * n >= MIN_UNEXPLAINED_PCT * total))


def _why(cause: IdCause | None, n: int, total: int) -> Reason:
    if cause is not None:
        return cause.why
    return reason("ids_of_other_column" if n == total and n >= MIN_NONE_MATCH else "ids_not_received")


def _fix_column(column: str, mapping: str, file: str, cause: IdCause | None, paths: Paths) -> Reason:
    """Return the remedy of a column of ids: another column of the file, or ids written alike."""
    where = {"column_key": column, "mapping": mapping, "file": f"{paths.inbox}/{file}", "folder": paths.folder}
    return reason("choose_id_column" if cause is None else "choose_or_spell_ids", **where)
