"""Telemetry files read side by side, perhaps elsewhere, and taken in afterwards in the order of one after the other.

Rows that another file has already count as repeated, so reading is a matter of order. Files whose times do not overlap
do not touch: those are read at once. If two of a run overlap, the later is read again in its turn.
"""

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.inbox import InboxFile
from transforms.ingest.ingest_file import IngestTarget, find_mapping, ingest_or_report, record
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.mapping import Mapping
from transforms.ingest.read_file import FileRead, IngestedFile, ReadJob
from transforms.ingest.telemetry_writer import StoredSpan
from transforms.parallel import MIN_PARALLEL_TASKS, Executor, ProcessExecutor, serial
from transforms.storage.lake import PREFIX

FILES_AT_ONCE = 16


def read_in_parallel(job: ReadJob) -> FileRead | None:
    """Read one file onto the lake, in a reader process of this worker; None if that fails."""
    try:
        read = IsolatedRead()(job)
        return replace(read, rejected=read.rejected.loaded())
    except Exception:  # noqa: BLE001
        # Changed, not to be seen from here, or one that no reader survives: read again by the caller, which reports it.
        job.onto.forget(job.found.sha)
        return None


class _TimeSpans:
    """Which minutes of which machine-days the files of this run have told of."""

    def __init__(self) -> None:
        self.spans: dict[tuple[str, str], list[tuple[int, int]]] = {}

    def overlaps(self, lies: list[StoredSpan]) -> bool:
        return any(
            first <= end_before and end >= first_before
            for machine, day, first, end in lies
            for first_before, end_before in self.spans.get((machine, day), [])
        )

    def add(self, lies: list[StoredSpan]) -> None:
        for machine, day, first, end in lies:
            self.spans.setdefault((machine, day), []).append((first, end))


def ingest_files(
    files: list[InboxFile],
    mappings: list[Mapping],
    catalogue: Catalogue,
    store: IngestTarget,
    spread: Executor,
    read: IsolatedRead,
) -> Iterator[tuple[InboxFile, IngestedFile | None]]:
    """Take files in, one after the other or telemetry side by side; yields each with what became of it.

    On this machine few files are read one at a time, on all its processors; of many, each processor reads its own.
    """
    chosen = {f.sha: m for f in files if (m := find_mapping(f.file, mappings)) is not None and m.kind == "telemetry"}
    if spread is serial or (
        isinstance(spread, ProcessExecutor) and (spread.count == 1 or len(chosen) < MIN_PARALLEL_TASKS)
    ):
        for found in files:
            yield found, ingest_or_report(found, mappings, catalogue, store, read)
        return
    store.onto.begin_taking(list(chosen))
    jobs = store.jobs([(f, chosen[f.sha]) for f in files if f.sha in chosen], catalogue)
    adopted = _Adopted(catalogue, store)

    def alone(found: InboxFile) -> IngestedFile | None:
        adopted.record()
        return ingest_or_report(found, mappings, catalogue, store, read)

    turns = _in_turns(files, mappings)
    if isinstance(spread, ProcessExecutor):
        with closing(read.side_by_side(jobs, spread.count)) as there:
            yield from _receive_apart(turns, chosen, there, adopted, alone)
    else:
        yield from _receive_apart(turns, chosen, spread(read_in_parallel, jobs), adopted, alone)


def _receive_apart(
    files: list[InboxFile],
    chosen: dict[str, Mapping],
    there: Iterator[FileRead | None],
    adopted: "_Adopted",
    alone: Callable[[InboxFile], IngestedFile | None],
) -> Iterator[tuple[InboxFile, IngestedFile | None]]:
    told = _TimeSpans()
    for found in files:
        one = next(there) if found.sha in chosen else None
        received: IngestedFile | None
        if one is not None and not told.overlaps(one.received.lies) and found.is_unchanged():
            adopted.add(found, chosen[found.sha], one)
            received = one.received
        else:
            if one is not None:
                adopted.drop(found, one)
            received = alone(found)
        if received is not None:
            told.add(received.lies)
        yield found, received
    adopted.record()


def _in_turns(files: list[InboxFile], mappings: list[Mapping]) -> list[InboxFile]:
    """Return the files in the order they are taken in: lists spread among the others, which are read meanwhile.

    Lists and telemetry do not touch each other; each keep their own order.
    """
    kinds = [m.kind if (m := find_mapping(f.file, mappings)) is not None else None for f in files]
    lists = [f for f, kind in zip(files, kinds, strict=True) if kind not in {None, "telemetry"}]
    others = [f for f, kind in zip(files, kinds, strict=True) if kind in {None, "telemetry"}]
    placed = [((k + 1) / len(part), f) for part in (lists, others) for k, f in enumerate(part)]
    return [f for _, f in sorted(placed, key=lambda one: one[0])]


class _Adopted:
    """Files that were read side by side, recorded some at a time: a crash loses no more than these."""

    def __init__(self, catalogue: Catalogue, store: IngestTarget) -> None:
        self._catalogue, self._store = catalogue, store
        self._held: list[tuple[InboxFile, Mapping, FileRead]] = []

    def add(self, found: InboxFile, mapping: Mapping, one: FileRead) -> None:
        """Take in a file; it counts from now on."""
        self._held.append((found, mapping, one))
        self._store.recorded.add(found.sha[:PREFIX])
        if len(self._held) == FILES_AT_ONCE:
            self.record()

    def drop(self, found: InboxFile, one: FileRead) -> None:
        """Forget what was read of a file."""
        one.rejected.discard()
        self._store.onto.forget(found.sha)

    def record(self) -> None:
        """Record what was taken in."""
        if not self._held:
            return
        with self._store.into.transaction():
            for found, mapping, one in self._held:
                record(found, mapping, one, self._catalogue, self._store)
        self._store.onto.end_taking([found.sha for found, _, _ in self._held])
        self._held.clear()
