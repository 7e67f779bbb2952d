"""Telemetry files read apart, perhaps elsewhere, and taken in afterwards in the order they would have been read in.

What a file tells that another has told before counts as repeated, so reading is a matter of order. Files whose times
do not overlap do not touch: those are read apart, all at once. Where two of a run overlap, the later is read again in
its turn, as it would have been here.
"""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from transforms.catalogue import Catalogue
from transforms.intake.inbox import Found
from transforms.intake.mapping import Mapping
from transforms.intake.receive import Received, Store, mapping_for, receive_or_tell, take
from transforms.intake.shelf import Lies
from transforms.lake import PREFIX, Lake
from transforms.spread import WORTH_IT, Processes, Spread, here
from transforms.warehouse import Warehouse

FILES_AT_ONCE = 16
TOLD = ("source_file", "rejected_row", "source_finding", "lake_file")


@dataclass(frozen=True)
class ApartJob:
    """A telemetry file to read apart, the sources it is compared with, the machine-days whose records are let go."""

    found: Found
    mapping: Mapping
    catalogue: Catalogue
    lake: Lake
    recorded: frozenset[str]
    rolled: frozenset[tuple[str, dt.date]]


@dataclass(frozen=True)
class Apart:
    """A file read apart: its telemetry lies on the lake and counts once its rows of `TOLD` are recorded."""

    received: Received
    told: dict[str, pl.DataFrame]


def read_apart(job: ApartJob) -> Apart | None:
    """Read one file onto the lake; None where that does not go."""
    with Warehouse.in_memory(*TOLD) as memory:
        store = Store(memory, job.lake, recorded=set(job.recorded), rolled=set(job.rolled))
        try:
            received = take(job.found, job.mapping, job.catalogue, store)
        except Exception:  # noqa: BLE001
            # Changed, not to be seen from here, or a fault: read again where it lies, which says what it is.
            job.lake.forget(job.found.sha)
            return None
        return Apart(received, {name: memory.table(name) for name in TOLD})


class _Told:
    """Which minutes of which machine-days the files of this run have told of."""

    def __init__(self) -> None:
        self.spans: dict[tuple[str, str], list[tuple[int, int]]] = {}

    def overlaps(self, lies: list[Lies]) -> bool:
        return any(
            first <= end_before and end >= first_before
            for machine, day, first, end in lies
            for first_before, end_before in self.spans.get((machine, day), [])
        )

    def add(self, lies: list[Lies]) -> None:
        for machine, day, first, end in lies:
            self.spans.setdefault((machine, day), []).append((first, end))


def receive_each(
    files: list[Found], mappings: list[Mapping], catalogue: Catalogue, store: Store, spread: Spread = here
) -> Iterator[tuple[Found, Received | None]]:
    """Take files in, one after the other or telemetry apart; yields each with what became of it.

    On this machine few files are read one at a time, on all its processors; of many, each processor reads its own.
    """
    chosen = {f.sha: m for f in files if (m := mapping_for(f.file, mappings)) is not None and m.kind == "telemetry"}
    if spread is here or (isinstance(spread, Processes) and len(chosen) < WORTH_IT):
        for found in files:
            yield found, receive_or_tell(found, mappings, catalogue, store)
    else:
        yield from _receive_apart(files, chosen, mappings, catalogue, store, spread)


def _receive_apart(
    files: list[Found], chosen: dict[str, Mapping], mappings: list[Mapping], catalogue: Catalogue, store: Store,
    spread: Spread,
) -> Iterator[tuple[Found, Received | None]]:  # fmt: skip
    store.onto.begin_taking(list(chosen))
    recorded, rolled = frozenset(store.recorded), frozenset(store.rolled)
    apart = [f for f in files if f.sha in chosen]
    read = spread(read_apart, [ApartJob(f, chosen[f.sha], catalogue, store.onto, recorded, rolled) for f in apart])
    told, adopted = _Told(), _Adopted(store)
    for found in _in_turns(files, mappings):
        one = next(read) if found.sha in chosen else None
        if one is not None and not told.overlaps(one.received.lies):
            adopted.add(found, one)
            received: Received | None = one.received
        else:
            if one is not None:
                store.onto.forget(found.sha)
            adopted.record()
            received = receive_or_tell(found, mappings, catalogue, store)
        if received is not None:
            told.add(received.lies)
        yield found, received
    adopted.record()


def _in_turns(files: list[Found], mappings: list[Mapping]) -> list[Found]:
    """Return the files in the order they are taken in: lists spread among the others, which are read meanwhile.

    Lists and telemetry do not touch each other; each keep their own order.
    """
    kinds = [m.kind if (m := mapping_for(f.file, mappings)) is not None else None for f in files]
    lists = [f for f, kind in zip(files, kinds, strict=True) if kind not in {None, "telemetry"}]
    others = [f for f, kind in zip(files, kinds, strict=True) if kind in {None, "telemetry"}]
    placed = [((k + 1) / len(part), f) for part in (lists, others) for k, f in enumerate(part)]
    return [f for _, f in sorted(placed, key=lambda one: one[0])]


class _Adopted:
    """Files that were read apart, recorded some at a time: a crash loses no more than these."""

    def __init__(self, store: Store) -> None:
        self._store, self._held = store, list[tuple[Found, Apart]]()

    def add(self, found: Found, one: Apart) -> None:
        """Take in a file; it counts from now on."""
        self._held.append((found, one))
        self._store.recorded.add(found.sha[:PREFIX])
        if len(self._held) == FILES_AT_ONCE:
            self.record()

    def record(self) -> None:
        """Record what was taken in."""
        if not self._held:
            return
        with self._store.into.transaction():
            for name in TOLD:
                rows = [one.told[name] for _, one in self._held if one.told[name].height]
                if rows:
                    self._store.into.append(name, pl.concat(rows))
        self._store.onto.end_taking([found.sha for found, _ in self._held])
        self._held.clear()
