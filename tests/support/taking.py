"""Takes one file in and shows what became of its rows."""

import json
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.inbox import InboxFile, content_hash
from transforms.ingest.ingest_file import IngestedFile, IngestTarget, ingest_file
from transforms.ingest.mapping import Mapping
from transforms.storage.lake import Lake
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse

STORED = ("source_file", "source_finding", "rejected_row", "failed_read", "rolled_day", "inbox_file", "lake_file")
"""Tables of every ingest; creating all others takes longer than reading a small file."""


@dataclass(frozen=True)
class Taken:
    """Outcome of reading a file: its accepted rows in order of line, its rejected rows, its counts and findings."""

    accepted: pl.DataFrame
    rejected: pl.DataFrame
    received: IngestedFile

    @property
    def reasons(self) -> list[tuple[str, dict[str, Any]]]:
        """Code and arguments of each rejected row's reason."""
        return [(code, json.loads(args)) for code, args in self.rejected.select("reason_code", "reason_args").rows()]

    @property
    def findings(self) -> list[tuple[str, dict[str, Any]]]:
        """Code and arguments of each finding, without the name of its part."""
        plain = [{"code": f.code, "args": json.loads(f.args)} for f in self.received.findings]
        own = [f["args"]["why"] if f["code"] == "in_part" else f for f in plain]
        return [(f["code"], f["args"]) for f in own]


def found(path: Path) -> InboxFile:
    """A file as the inbox shows it."""
    members = [path] if path.is_file() else [p for p in sorted(path.rglob("*")) if p.is_file()]
    size, changed = sum(m.stat().st_size for m in members), max(m.stat().st_mtime_ns for m in members)
    return InboxFile(path, path.name, content_hash(path), size, changed)


@cache
def _store(tables: tuple[str, ...]) -> Warehouse:
    """Return a store that all tests of the process share, because creating one takes longer than reading a file."""
    return Warehouse.in_memory(*tables)


def _emptied_store(kind: str) -> Warehouse:
    """Return the store of a kind without rows."""
    tables = (*STORED, *(name for name in sql_names("raw") if name == f"received_{kind}"))
    store = _store(tables)
    for name in tables:
        store._con.execute(f'delete from "{name}"')  # noqa: S608 - the tables are known
    return store


def take(path: Path, mapping: Mapping, catalogue: Catalogue) -> Taken:
    """Take a file into an empty store; its rows must all be accounted for."""
    warehouse = _emptied_store(mapping.kind)
    with tempfile.TemporaryDirectory() as folder:
        parts = ingest_file(found(path), [mapping], catalogue, IngestTarget(warehouse, Lake(Path(folder))))
        assert parts is not None
        (received,) = parts
        assert received.rows_in == received.rows_accepted + received.rows_rejected + received.rows_repeated
        rejected = warehouse.table("rejected_row").sort("part", "line", maintain_order=True)
        assert rejected.height == received.rows_rejected
        if mapping.kind == "telemetry":
            days = [pl.read_parquet(p) for p in sorted(Path(folder).glob("telemetry/*/*/*.parquet"))]
            accepted = pl.concat(days).sort("logged_at") if days else pl.DataFrame()
        else:
            accepted = warehouse.table(f"received_{mapping.kind}").sort("part", "line")
        assert accepted.height == received.rows_accepted
        return Taken(accepted, rejected, received)
