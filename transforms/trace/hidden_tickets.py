"""Loads traced once more with the machine and the departure on their tickets hidden, and compared with that knowledge.

A ticket that names its machine or its departure shows nearly which minutes filled the load. Tracing the load without it
shows how well loads without such tickets are traced, whatever the haulage. METHODS.md section 2.
"""

import datetime as dt
import hashlib

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.calibration import kind_of
from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.mass_streams import Stretch
from transforms.trace.shares import LoadShares, expected_overlap, load_shares
from transforms.trace.stretch_loads import FieldLoads, assign_loads, associate_stretch

Array = NDArray[np.float64]

JUDGED = {
    "load_id": pl.String,
    "site_id": pl.String,
    "kind_code": pl.String,
    "claimed_quality": pl.Float64,
    "overlap": pl.Float64,
}
HIDE_ONE_IN = 2
"""One ticket in this number is hidden: the others keep the stretch as well known as it is."""
SMALLEST_SURE = 0.3
"""Loads that are placed with less certainty than this by their ticket show nothing."""


def _is_hidden(load_id: str) -> bool:
    return hashlib.sha256(load_id.encode()).digest()[0] % HIDE_ONE_IN == 0


def hide_tickets(loads: pl.DataFrame, machines: int) -> pl.DataFrame:
    """Return loads with `is_hidden`; machine and departure of hidden tickets are null.

    Args:
        loads: the tickets of a stretch of work.
        machines: number of machines that worked there; a name is no knowledge if there is one.
    """
    knows = pl.col("left_field_at").is_not_null()
    if machines > 1:
        knows |= pl.col("machine_id").is_not_null()
    picked = pl.Series("is_hidden", [_is_hidden(i) for i in loads["load_id"].to_list()], dtype=pl.Boolean)
    marked = loads.with_columns(picked).with_columns((pl.col("is_hidden") & knows).alias("is_hidden"))
    return marked.with_columns(
        pl.when(~pl.col("is_hidden")).then(pl.col(c)).alias(c) for c in ("machine_id", "left_field_at")
    )


def judge_hidden(work: TracedFieldWork, clocks: dict[dt.date, DayClocks]) -> pl.DataFrame:
    """Return one row per hidden load of a stretch of work, with the columns of `JUDGED`.

    `overlap` is the expected one: the mean over the placements that the load may have by its ticket. Loads of machines
    whose emptyings are not seen have no row: their tickets do not show the tankful.

    Args:
        work: a field with one stretch of work and its loads.
        clocks: lags and clock offsets of its shift day.
    """
    (stretch,) = work.stretches
    hidden = hide_tickets(work.loads, len(stretch.streams))
    names = set(hidden.filter("is_hidden")["load_id"].to_list())
    if not names:
        return pl.DataFrame(schema=JUDGED)
    without = assign_loads(TracedFieldWork(work.field_id, [stretch], hidden.drop("is_hidden"), work.stops), clocks)
    by_ticket = assign_loads(work, clocks)
    rows = _judged(names, without, by_ticket)
    return pl.DataFrame(rows, schema=JUDGED, orient="row")


def _judged(names: set[str], without: FieldLoads, by_ticket: FieldLoads) -> list[tuple[object, ...]]:
    """Return the rows of hidden loads from the loads of a stretch without and with what their tickets know."""
    (blind,), (known,) = without.of_stretch, by_ticket.of_stretch
    stretch = blind.stretch
    found, true = (associate_stretch(own, f.usual).shared for own, f in ((blind, without), (known, by_ticket)))
    if found is None or true is None:
        return []
    place = {name: i for i, name in enumerate(known.loads["load_id"].to_list())}
    contested = len(stretch.streams) > 1 and bool(blind.loads["machine_id"].null_count())
    rows: list[tuple[object, ...]] = []
    for i, (name, site) in enumerate(blind.loads.select("load_id", "site_id").iter_rows()):
        if name not in names or name not in place:
            continue
        shares = load_shares(stretch, found, i)
        seen = all(stretch.streams[m].has_signal for m in np.unique(shares.stream))
        if not seen or not shares.share.size or load_shares(stretch, true, place[name]).sure < SMALLEST_SURE:
            continue
        part = _logged_part(stretch, shares)
        overlap = expected_overlap(stretch, true, place[name], shares)
        kind = kind_of(emptyings_seen=seen, contested=contested)
        rows.append((name, site, kind, shares.sure * part, overlap * part))
    return rows


def _logged_part(stretch: Stretch, shares: LoadShares) -> float:
    """Return the fraction of the shares' mass that is in logged bins."""
    known = 0.0
    for m in np.unique(shares.stream):
        stream, own = stretch.streams[m], shares.stream == m
        logged_t = np.bincount(stream.batch_of, weights=stream.part_t * (stream.part_bin_us >= 0))
        known += float(shares.share[own] @ (logged_t / stream.batch_t)[shares.batch[own]])
    return known / max(float(shares.share.sum()), 1e-9)
