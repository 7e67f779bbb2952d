"""Tracing of the loads of one field to the 30 s bins that filled them, with a row for each untraced remainder.

A field is the unit of tracing: its result depends only on its own bins, emptyings and tickets, and on the clocks and
lags of its days.
"""

import datetime as dt

import numpy as np
from numpy.typing import NDArray

from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.trace.calibration import calibrate_quality, kind_of
from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.heaps import build_heap, heap_contents
from transforms.trace.mass_streams import Stretch
from transforms.trace.shares import LoadShares, load_shares
from transforms.trace.stretch_loads import FieldLoads, StretchLoads, assign_loads, associate_stretch
from transforms.trace.trace_tables import BinShares, FieldTrace, Grade, TraceRows

Array = NDArray[np.float64]

NEGLIGIBLE_SHARE = 1e-7
UNCLAIMED = 0.5
"""If less than this fraction of a stretch was hauled in time, the rest lay in a heap at the edge of the field."""
MOSTLY_KNOWN, CLEARLY, HALF = 0.9, 0.8, 0.5


def trace_field(work: TracedFieldWork, clocks: dict[dt.date, DayClocks]) -> FieldTrace:
    """Trace the loads of one field.

    Args:
        work: the field with its work and loads.
        clocks: lags and clock offsets of each shift day of its work.
    """
    out = TraceRows()
    assigned = assign_loads(work, clocks)
    for own in assigned.of_stretch:
        _trace_stretch(out, work.field_id, own, assigned.usual)
    _trace_heaps(out, work, assigned)
    names = np.array(assigned.loads["load_id"].to_list())
    ungraded = set(names[~assigned.is_straight].tolist()) - {g[0] for g in out.grades}
    why = reason("no_work_near_load" if work.stretches else "no_telemetry_in_field")
    out.add_untraced(sorted(ungraded), why)
    return out.tables(names)


def _trace_stretch(out: TraceRows, field_id: str, own: StretchLoads, usual: float) -> None:
    """Add the shares and grades of the loads of one stretch, and its mass balance by machine."""
    stretch, loads, departures = own.stretch, own.loads, own.departures
    shared, ratio, closes = associate_stretch(own, usual)
    names, named = loads["load_id"].to_list(), loads["machine_id"].to_list()
    weighed_by_stream = np.zeros(len(stretch.streams))
    machines_here = {s.machine_id for s in stretch.streams}
    contested = len(machines_here) > 1 and None in named
    if shared is not None:
        out.add_keeping(field_id, stretch.shift_date, shared.agreement)
    for i, name in enumerate(names):
        if shared is None or (named[i] is not None and named[i] not in machines_here):
            out.add_untraced([name], reason("ticket_machine_without_telemetry"))
            continue
        found = load_shares(stretch, shared, i)
        known = _add_bin_shares(out, name, stretch, found)
        weighed_by_stream += shared.belief[i] * departures.delivered_t[i]
        seen = all(stretch.streams[m].has_signal for m in np.unique(found.stream))
        claimed = found.sure * known / max(float(found.share.sum()), 1e-9)
        kind = kind_of(emptyings_seen=seen, contested=contested)
        sure = calibrate_quality(claimed, kind)
        doubts = _association_doubts(shared.belief[i])
        if not closes:
            doubts.append(reason("mass_ratio_unusual", difference_pct=100 * (ratio / usual - 1)))
        if not seen:
            doubts.append(reason("emptyings_not_detected"))
        if known < MOSTLY_KNOWN:
            doubts.append(reason("log_incomplete"))
        why = combine_reasons(doubts or [reason("traced_by_emptyings")])
        out.grades.append(Grade(name, kind, sure, claimed, known, float(shared.belief[i].max()), why))
    for stream, weighed_t in zip(stretch.streams, weighed_by_stream, strict=True):
        out.balance.append((stream.machine_id, field_id, stretch.shift_date, float(weighed_t), stream.lifted_t))


def _association_doubts(belief: Array) -> list[Reason]:
    """Return the reasons to doubt the association of a load with the streams."""
    doubts = []
    if belief.sum() < HALF:
        doubts.append(reason("no_matching_mass"))
    if belief.size > 1 and belief.max() < CLEARLY * belief.sum():
        doubts.append(reason("machine_uncertain"))
    return doubts


def _add_bin_shares(out: TraceRows, load_id: str, stretch: Stretch, found: LoadShares) -> float:
    """Add the bin shares of a load from its batch shares; return the fraction of the load in known bins."""
    known_share = 0.0
    for m in np.unique(found.stream):
        stream, own = stretch.streams[m], found.stream == m
        batch = found.batch[own]
        low, high = np.searchsorted(stream.batch_of, [batch.min(), batch.max() + 1])
        of_part = stream.batch_of[low:high]
        of_batch = stream.part_t[low:high] / stream.batch_t[of_part]
        share, share_sd = np.zeros(stream.batch_t.size), np.zeros(stream.batch_t.size)
        share[batch], share_sd[batch] = found.share[own], found.share_sd[own]
        part = share[of_part] * of_batch
        is_known = (part > NEGLIGIBLE_SHARE) & (stream.part_bin_us[low:high] >= 0)
        bins = stream.part_bin_us[low:high][is_known]
        part_sd = (share_sd[of_part] * of_batch)[is_known]
        out.shares.append(BinShares(load_id, stream.machine_id, bins, part[is_known], part_sd))
        known_share += float(part[is_known].sum())
    return known_share


def _trace_heaps(out: TraceRows, work: TracedFieldWork, assigned: FieldLoads) -> None:
    """Add loads hauled long after the work, from the mass lifted before and not hauled in time."""
    loads, left, usual = assigned.loads, assigned.left_min, assigned.usual
    hauled_late = np.flatnonzero(~assigned.is_straight & (assigned.after_min > 0))
    if not hauled_late.size:
        return
    names, delivered = loads["load_id"].to_list(), loads["delivered_t"].to_numpy()
    lifted_t = np.array([s.lifted_t for s in work.stretches])
    hauled = assigned.weighed_t / (usual * lifted_t)
    heap = build_heap(work.stretches, np.where(hauled < UNCLAIMED, 1 - hauled, 0.0))
    order = hauled_late[np.argsort(left[hauled_late], kind="stable")]
    machines = [s.machine_id for stretch in work.stretches for s in stretch.streams]
    named = np.array([machines.index(m) if m in machines else -1 for m in loads["machine_id"][order.tolist()]])
    owner = np.array(
        [
            machines.index(work.stretches[k].streams[m].machine_id)
            for k, m in zip(heap.stretch, heap.stream, strict=True)
        ]
    )
    found = heap_contents(heap, owner, left[order], delivered[order] / usual, named)
    for i, share, sure in zip(order, found.share, found.sure, strict=True):
        if not sure:
            out.add_untraced([names[i]], reason("nothing_left_to_haul"))
            continue
        known = 0.0
        for k in np.unique(heap.stretch[share > 0]):
            own = (heap.stretch == k) & (share > 0)
            unknown = np.full(int(own.sum()), np.nan)
            part = LoadShares(heap.stream[own], heap.batch[own], share[own], unknown, 1.0)
            known += _add_bin_shares(out, names[i], work.stretches[k], part)
        why = [reason("from_heap"), *([] if found.order_known else [reason("heap_order_unknown")])]
        graded = float(sure) * known
        out.grades.append(Grade(names[i], "heap", graded, graded, known, 0.0, combine_reasons(why)))
    first = work.stretches[0]
    out.balance.append((None, work.field_id, first.shift_date, float(delivered[hauled_late].sum()), 0.0))
