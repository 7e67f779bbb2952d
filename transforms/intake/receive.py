"""Takes one file in: by its content, through the mapping that names it, with every row accounted for."""

import datetime as dt
import errno
import re
import tempfile
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from transforms.catalogue import Catalogue
from transforms.errors import DamagedError, SourceFileError
from transforms.intake.accept import Checked, Reader, split_clashes
from transforms.intake.inbox import Found
from transforms.intake.mapping import Mapping, own_name
from transforms.intake.opening import open_source
from transforms.intake.piece import Source, rejected_rows
from transforms.intake.shelf import Lies, Shelf
from transforms.lake import PREFIX, Lake
from transforms.lake_record import record_files
from transforms.warehouse import Warehouse

READ_AHEAD = 3
"""Pieces read side by side: memory holds so many at once."""


@dataclass
class Received:
    """One file taken in; `rows_in = rows_accepted + rows_rejected + rows_repeated`.

    Attributes:
        file: its path inside the inbox.
        says: what the person should know of how it was read.
        from_at: the earliest time its accepted rows tell of.
        to_at: the latest.
        lies: where its telemetry lies on the lake.
        failed: what of ours went wrong with it; it is read again by the next run.
    """

    file: str
    kind: str | None
    mapping: str | None = None
    rows_in: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    rows_repeated: int = 0
    header: str = ""
    from_at: dt.datetime | None = None
    to_at: dt.datetime | None = None
    says: list[str] = field(default_factory=list)
    lies: list[Lies] = field(default_factory=list)
    failed: str = ""


class Store:
    """What is known already, and where a file's rows go.

    Args:
        warehouse: rows of other files.
        lake: telemetry of other files.
        into: where rows go, where not to `warehouse`.
        onto: where telemetry goes, where not to `lake`.
        recorded: prefixes of the sources whose telemetry counts, where not those of `warehouse`.
        rolled: machine-days whose records are let go, where not those of `warehouse`.
    """

    def __init__(
        self,
        warehouse: Warehouse,
        lake: Lake,
        *,
        into: Warehouse | None = None,
        onto: Lake | None = None,
        recorded: set[str] | None = None,
        rolled: set[tuple[str, dt.date]] | None = None,
    ) -> None:
        self.warehouse, self.lake = warehouse, lake
        self.into, self.onto = into or warehouse, onto or lake
        self.recorded = _recorded(warehouse) if recorded is None else recorded
        self.rolled = _rolled(warehouse) if rolled is None else rolled


def _recorded(warehouse: Warehouse) -> set[str]:
    return {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}


def _rolled(warehouse: Warehouse) -> set[tuple[str, dt.date]]:
    return set(warehouse.table("rolled_day").select("machine_id", pl.col("day").str.to_date()).iter_rows())


def mapping_for(file: str, mappings: list[Mapping]) -> Mapping | None:
    """Return the first mapping that names a file."""
    return next((m for m in mappings if m.reads(file.rsplit("/", 1)[-1])), None)


def _in_order(source: Source, reader: Reader) -> Iterator[Checked]:
    """Read and check pieces in the file's order, side by side where this process has more than one thread."""
    if pl.thread_pool_size() == 1:
        try:
            yield from (reader.check(read()) for read in source.pieces)
        finally:
            source.close()
        return
    waiting: deque[Future[Checked]] = deque()
    with ThreadPoolExecutor(2) as pool:
        try:
            for read in source.pieces:
                waiting.append(pool.submit(lambda read=read: reader.check(read())))  # type: ignore[misc]
                if len(waiting) >= READ_AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)
            source.close()


def file_at(found: Found, mapping: Mapping | None) -> dt.datetime:
    """When a file was made: what its name says, where the mapping says where; else when it was last changed."""
    if mapping is not None and mapping.dated is not None:
        said = re.search(mapping.dated.file_name, own_name(found.path.name))
        if said and said.groups():
            try:
                return dt.datetime.strptime(said.group(1), mapping.dated.format).replace(tzinfo=dt.UTC)
            except ValueError:
                pass
    return found.changed_at


class _Rows:
    """Counts a file's rows and hands them on, piece by piece."""

    def __init__(self, received: Received, found: Found, reader: Reader, store: Store) -> None:
        self.received, self.found, self.reader, self.store = received, found, reader, store
        self.key = reader.schema.primary_key()
        self.accepted: list[pl.DataFrame] = []
        self.base = 0

    def take(self, checked: Checked, shelf: Shelf | None) -> None:
        """Count a checked piece and hand its rows on."""
        piece = checked.piece
        if shelf is not None:
            accepted, clashes, repeated = shelf.add(checked.good, piece, self.base)
            self._span(checked.good)
        else:
            taken = pl.concat(self.accepted) if self.accepted else None
            kept, clashes, repeated = split_clashes(checked.good, self.key, piece, taken)
            part_of = pl.lit(piece.part, dtype=pl.String).alias("part")
            kept = kept.drop("row").with_columns(pl.col("line") + self.base, part_of)
            self.accepted.append(kept)
            self._span(kept)
            accepted = kept.height
        self.received.rows_in += checked.rows_in
        self.received.rows_accepted += accepted
        self.received.rows_repeated += checked.rows_repeated + repeated
        self._reject(pl.concat([checked.rejected, clashes]), piece.part)
        self.received.says += [s for s in piece.findings if s not in self.received.says]
        self.base += piece.lines

    def _span(self, kept: pl.DataFrame) -> None:
        clocks = [c for c in ("logged_at", "weighed_at", "audited_at", "hour_at", "day_at") if c in kept.columns]
        if not clocks or not kept[clocks[0]].count():
            return
        first: dt.datetime = kept[clocks[0]].min()  # type: ignore[assignment]
        last: dt.datetime = kept[clocks[0]].max()  # type: ignore[assignment]
        received = self.received
        received.from_at = first if received.from_at is None else min(received.from_at, first)
        received.to_at = last if received.to_at is None else max(received.to_at, last)

    def _reject(self, rows: pl.DataFrame, part: str | None) -> None:
        self.received.rows_rejected += rows.height
        if rows.height:
            named = rows.with_columns(
                pl.col("line") + self.base, pl.lit(part, dtype=pl.String).alias("part"),
                pl.lit(self.found.sha).alias("source_sha256"), pl.lit(self.found.file).alias("file"),
            )  # fmt: skip
            self.store.into.append("rejected_row", named)

    def settle(self) -> None:
        """Store what is no telemetry: every row stays, those that another file has said already count as repeated."""
        rows = pl.concat(self.accepted) if self.accepted else pl.DataFrame()
        if not rows.height:
            return
        name = f"received_{self.reader.mapping.kind}"
        columns = [c for c in rows.columns if c not in {"line", "part"}]
        known = self.store.warehouse.matching(name, rows.select(self.key).unique())
        known = known.select(pl.col(c).cast(rows.schema[c]) for c in columns)
        new = rows.join(known, on=columns, how="anti", nulls_equal=True)
        self.received.rows_repeated += rows.height - new.height
        self.received.rows_accepted = new.height
        self.store.into.append(name, rows.with_columns(pl.lit(self.found.sha).alias("source_sha256")))


def _read(found: Found, reader: Reader, store: Store, received: Received) -> None:
    source, reader = open_source(found.path, reader)
    received.header = source.header
    rows = _Rows(received, found, reader, store)
    if reader.mapping.kind != "telemetry":
        for checked in _in_order(source, reader):
            rows.take(checked, None)
        rows.settle()
        return
    with Shelf(store.onto, store.lake, found.sha, store.recorded, store.rolled) as shelf:
        for checked in _in_order(source, reader):
            rows.take(checked, shelf)
    received.lies = shelf.lies
    record_files(store.into, shelf.files)


class ChangedWhileReadError(Exception):
    """The file was still being written; it is left for the next run."""


def _record(found: Found, received: Received, mapping: Mapping | None, store: Store) -> None:
    """Write the file's own row and what was found, in the transaction that holds its rows."""
    if not found.is_unchanged():
        raise ChangedWhileReadError
    row = {
        "source_sha256": found.sha, "file": found.file, "kind": received.kind, "mapping": received.mapping,
        "mapping_fingerprint": mapping.fingerprint() if mapping is not None else None, "header": received.header,
        "rows_in": received.rows_in, "rows_accepted": received.rows_accepted, "rows_rejected": received.rows_rejected,
        "rows_repeated": received.rows_repeated, "file_at": file_at(found, mapping), "from_at": received.from_at,
        "to_at": received.to_at, "received_at": dt.datetime.now(dt.UTC),
    }  # fmt: skip
    texts = dict.fromkeys(("kind", "mapping", "mapping_fingerprint"), pl.String)
    times = dict.fromkeys(("file_at", "from_at", "to_at", "received_at"), pl.Datetime("us", "UTC"))
    store.into.append("source_file", pl.DataFrame([row], schema_overrides={**texts, **times}))
    if received.says:
        says = {"source_sha256": found.sha, "file": found.file, "says": received.says}
        store.into.append("source_finding", pl.DataFrame(says))


def _reject_whole(found: Found, mapping: Mapping | None, rule: str, says: str, store: Store) -> Received:
    kind, name = (None, None) if mapping is None else (mapping.kind, mapping.name)
    received = Received(found.file, kind, name, rows_in=1, rows_rejected=1)
    row = rejected_rows([0], None, [""], rule, says)
    with store.into.transaction():
        store.into.append(
            "rejected_row",
            row.with_columns(pl.lit(found.sha).alias("source_sha256"), pl.lit(found.file).alias("file")),
        )
        _record(found, received, mapping, store)
    return received


def take(found: Found, mapping: Mapping | None, catalogue: Catalogue, store: Store) -> Received:
    """Read a file inside a transaction; one that as a whole cannot be read leaves one rejected row."""
    if mapping is None:
        says = "no mapping names this file; 'taretrace map' on it makes one"
        return _reject_whole(found, None, "no_mapping", says, store)
    try:
        with store.into.transaction():
            received = Received(found.file, mapping.kind, mapping.name)
            _read(found, Reader(mapping, catalogue, found.path.name), store, received)
            _record(found, received, mapping, store)
            return received
    except SourceFileError as problem:
        store.onto.forget(found.sha)
        return _reject_whole(found, mapping, problem.rule, problem.says, store)


def receive(found: Found, mappings: list[Mapping], catalogue: Catalogue, store: Store) -> Received | None:
    """Take one file in, all or nothing, and record what became of every row.

    A file that cannot be read at all counts as one row, rejected, with the reason. None where the file changed or
    went while it was read: nothing of it is taken.
    """
    store.onto.begin_taking([found.sha])
    try:
        received = take(found, mapping_for(found.file, mappings), catalogue, store)
    except (ChangedWhileReadError, FileNotFoundError):
        if found.path.exists() and found.is_unchanged():
            raise
        store.onto.forget(found.sha)
        store.onto.end_taking([found.sha])
        return None
    store.recorded.add(found.sha[:PREFIX])
    store.onto.end_taking([found.sha])
    return received


FULL_DISK = {errno.ENOSPC, errno.EDQUOT}


def receive_or_tell(found: Found, mappings: list[Mapping], catalogue: Catalogue, store: Store) -> Received | None:
    """Take one file in as `receive` does; a fault of ours with it is told, leaves it for later and stops no other."""
    try:
        return receive(found, mappings, catalogue, store)
    except Exception as problem:
        if isinstance(problem, DamagedError) or (isinstance(problem, OSError) and problem.errno in FULL_DISK):
            raise
        store.onto.forget(found.sha)
        store.onto.end_taking([found.sha])
        return Received(found.file, None, failed=f"{type(problem).__name__}: {problem}")


def examine(found: Found, mappings: list[Mapping], catalogue: Catalogue, store: Store) -> tuple[Received, pl.DataFrame]:
    """Read one file as `receive` would and store nothing; returns what would become of it, and its rejected rows."""
    with Warehouse.in_memory() as memory, tempfile.TemporaryDirectory() as folder:
        apart = Store(store.warehouse, store.lake, into=memory, onto=Lake(Path(folder)))
        received = take(found, mapping_for(found.file, mappings), catalogue, apart)
        return received, memory.table("rejected_row")
