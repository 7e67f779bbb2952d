"""Parallel reading of telemetry files, locally or on a cluster, with results recorded in sequential order.

Rows that another file already has count as repeated, so the result depends on the order of files. Files whose times do
not overlap are independent and can be read in parallel. If two files of a run overlap, the later one is read again
after the earlier one is recorded.
"""

from collections.abc import Callable, Iterator
from contextlib import closing

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.file_read import FileRead, IngestedFile, ReadJob
from transforms.ingest.file_record import record_file
from transforms.ingest.inbox import InboxFile
from transforms.ingest.ingest_file import ingest_or_report
from transforms.ingest.ingest_target import IngestTarget
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_match import matching_mappings
from transforms.ingest.telemetry_writer import StoredSpan
from transforms.parallel import MIN_PARALLEL_TASKS, Executor, ProcessExecutor, serial
from transforms.storage.lake import PREFIX

FILES_AT_ONCE = 16


def read_in_parallel(job: ReadJob) -> FileRead | None:
    """Read one file to the lake, in a reader process of this worker; return None on failure."""
    try:
        return IsolatedRead()(job).loaded()
    except Exception:  # noqa: BLE001
        # The file changed, is not accessible from this worker, or crashes its reader. The caller reads it again and
        # reports the error.
        job.onto.delete_source(job.found.sha)
        return None


class _TimeSpans:
    """Time spans per machine-day covered by the files of this run."""

    def __init__(self) -> None:
        self.spans: dict[tuple[str, str], list[tuple[int, int]]] = {}

    def overlaps(self, spans: list[StoredSpan]) -> bool:
        return any(
            first <= end_before and end >= first_before
            for machine, day, first, end in spans
            for first_before, end_before in self.spans.get((machine, day), [])
        )

    def add(self, spans: list[StoredSpan]) -> None:
        for machine, day, first, end in spans:
            self.spans.setdefault((machine, day), []).append((first, end))


def ingest_files(
    files: list[InboxFile],
    mappings: list[Mapping],
    catalogue: Catalogue,
    store: IngestTarget,
    executor: Executor,
    read: IsolatedRead,
) -> Iterator[tuple[InboxFile, list[IngestedFile] | None]]:
    """Ingest files sequentially, or telemetry files in parallel; yield each file with its counts, in order.

    Locally, a few files are read one at a time with all processors; of many files, each processor reads its own.

    Args:
        files: the files, in order.
        mappings: the mappings of the workspace.
        catalogue: the machine settings of the workspace.
        store: the destination.
        executor: the executor of parallel reads.
        read: the function that reads a file in a reader process.
    """
    matches = {f.sha: matching_mappings(f.file, mappings) for f in files}
    chosen = {sha: own for sha, own in matches.items() if any(m.kind == "telemetry" for m in own)}
    if executor is serial or (
        isinstance(executor, ProcessExecutor) and (executor.count == 1 or len(chosen) < MIN_PARALLEL_TASKS)
    ):
        for found in files:
            yield found, ingest_or_report(found, mappings, catalogue, store, read)
        return
    store.onto.begin_ingest(list(chosen))
    jobs = store.jobs([(f, chosen[f.sha]) for f in files if f.sha in chosen], catalogue)
    batch = _RecordBatch(catalogue, store)

    def alone(found: InboxFile) -> list[IngestedFile] | None:
        batch.record()
        return ingest_or_report(found, mappings, catalogue, store, read)

    # A file with telemetry and another kind is not independent of the lists, so the order of the files stays.
    is_mixed = any(m.kind != "telemetry" for own in chosen.values() for m in own)
    ordered = files if is_mixed else _interleaved(files, matches, chosen)
    if isinstance(executor, ProcessExecutor):
        with closing(read.side_by_side(jobs, executor.count)) as results:
            yield from _record_in_order(ordered, chosen, results, batch, alone)
    else:
        yield from _record_in_order(ordered, chosen, executor(read_in_parallel, jobs), batch, alone)


def _record_in_order(
    files: list[InboxFile],
    chosen: dict[str, tuple[Mapping, ...]],
    results: Iterator[FileRead | None],
    batch: "_RecordBatch",
    alone: Callable[[InboxFile], list[IngestedFile] | None],
) -> Iterator[tuple[InboxFile, list[IngestedFile] | None]]:
    """Record the results of parallel reads; a file whose times overlap an earlier one is read again alone."""
    covered = _TimeSpans()
    for found in files:
        result = next(results) if found.sha in chosen else None
        received: list[IngestedFile] | None
        if result is not None and not covered.overlaps(result.spans) and found.is_unchanged():
            batch.add(found, chosen[found.sha], result)
            received = [part.received for part in result.reads]
        else:
            if result is not None:
                batch.drop(found, result)
            received = alone(found)
        for part in received or []:
            covered.add(part.spans)
        yield found, received
    batch.record()


def _interleaved(
    files: list[InboxFile], matches: dict[str, tuple[Mapping, ...]], chosen: dict[str, tuple[Mapping, ...]]
) -> list[InboxFile]:
    """Return the files in order of ingestion: other kinds are interleaved with telemetry, which is read meanwhile.

    Telemetry and other kinds are independent; each group keeps its order.
    """
    lists = [f for f in files if matches[f.sha] and f.sha not in chosen]
    others = [f for f in files if not matches[f.sha] or f.sha in chosen]
    positioned = [((k + 1) / len(part), f) for part in (lists, others) for k, f in enumerate(part)]
    return [f for _, f in sorted(positioned, key=lambda item: item[0])]


class _RecordBatch:
    """Batch of files read in parallel and recorded together; a crash loses at most one batch."""

    def __init__(self, catalogue: Catalogue, store: IngestTarget) -> None:
        self._catalogue, self._store = catalogue, store
        self._batch: list[tuple[InboxFile, tuple[Mapping, ...], FileRead]] = []

    def add(self, found: InboxFile, matches: tuple[Mapping, ...], read: FileRead) -> None:
        """Add a file; its telemetry is valid from now on."""
        self._batch.append((found, matches, read))
        self._store.recorded.add(found.sha[:PREFIX])
        if len(self._batch) == FILES_AT_ONCE:
            self.record()

    def drop(self, found: InboxFile, read: FileRead) -> None:
        """Delete the rows read from a file."""
        read.discard()
        self._store.onto.delete_source(found.sha)

    def record(self) -> None:
        """Record the files of the batch in one transaction."""
        if not self._batch:
            return
        with self._store.into.transaction():
            for found, matches, read in self._batch:
                record_file(found, matches, read, self._catalogue, self._store)
        self._store.onto.end_ingest([found.sha for found, _, _ in self._batch])
        self._batch.clear()
