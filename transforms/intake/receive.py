"""Takes one file in: by its content, through the mapping that names it, with every row accounted for."""

import datetime as dt
import hashlib
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from transforms.catalogue import Catalogue
from transforms.errors import SourceFileError
from transforms.intake.accept import REJECTED, Accepted, accept
from transforms.intake.mapping import Mapping
from transforms.intake.table import read_table
from transforms.lake import Lake
from transforms.warehouse import Warehouse

READ_BYTES = 1 << 20


@dataclass(frozen=True)
class Received:
    """One file taken in."""

    file: str
    kind: str | None
    rows_in: int
    rows_accepted: int
    rows_rejected: int
    rows_repeated: int


def content_hash(path: Path) -> str:
    """Return the sha-256 of a file's content, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while piece := handle.read(READ_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def new_files(inbox: Path, warehouse: Warehouse) -> list[tuple[Path, str]]:
    """Return the files of the inbox whose content was not taken yet, in order of name."""
    seen = set(warehouse.table("source_file")["source_sha256"].to_list())
    found: list[tuple[Path, str]] = []
    for path in sorted(
        p for p in inbox.rglob("*") if p.is_file() and not p.is_symlink() and not p.name.startswith(".")
    ):
        sha = content_hash(path)
        if sha not in seen:
            seen.add(sha)
            found.append((path, sha))
    return found


def _whole_file_rejected(rule: str, says: str) -> Accepted:
    row = pl.DataFrame({"line": [0], "column": [None], "raw": [""], "rule": [rule], "says": [says]}, schema=REJECTED)
    return Accepted(pl.DataFrame(), row, rows_in=1, rows_repeated=0)


def _known(mapping: Mapping, rows: pl.DataFrame, warehouse: Warehouse, lake: Lake) -> pl.DataFrame | None:
    if mapping.kind == "telemetry":
        sources = {s[:16] for s in warehouse.table("source_file")["source_sha256"].to_list()}
        return lake.known_telemetry(rows, sources)
    return warehouse.table(f"received_{mapping.kind}")


def receive(
    path: Path, sha: str, mappings: list[Mapping], catalogue: Catalogue, warehouse: Warehouse, lake: Lake
) -> Received:
    """Take one file in, all or nothing, and record what became of every row.

    A file that cannot be read at all counts as one row, rejected, with the reason.
    """
    mapping = next((m for m in mappings if m.reads(path.name)), None)
    if mapping is None:
        outcome = _whole_file_rejected("no_mapping", "no mapping names this file; add its name to a mapping's files")
        return _record(path.name, sha, None, None, outcome, warehouse, lake)
    try:
        outcome = accept(read_table(path, mapping), mapping, catalogue, path.name,
                         lambda rows: _known(mapping, rows, warehouse, lake))  # fmt: skip
    except SourceFileError as problem:
        outcome = _whole_file_rejected(problem.rule, problem.says)
    return _record(path.name, sha, mapping.kind, mapping.name, outcome, warehouse, lake)


def _record(
    file: str, sha: str, kind: str | None, mapping: str | None, outcome: Accepted, warehouse: Warehouse, lake: Lake
) -> Received:
    received = Received(
        file, kind, outcome.rows_in, outcome.accepted.height, outcome.rejected.height, outcome.rows_repeated
    )
    # Parquet first: without its row in source_file it does not count, so a crash between the two loses nothing.
    if kind == "telemetry" and outcome.accepted.height:
        lake.put_telemetry(outcome.accepted, sha)
    source = pl.DataFrame({"source_sha256": [sha], "file": [file], "kind": [kind], "mapping": [mapping],
                           "rows_in": [received.rows_in], "rows_accepted": [received.rows_accepted],
                           "rows_rejected": [received.rows_rejected], "rows_repeated": [received.rows_repeated]},
                          schema_overrides={"kind": pl.String, "mapping": pl.String})  # fmt: skip
    now = pl.lit(dt.datetime.now(dt.UTC)).cast(pl.Datetime("us", "UTC"))
    with warehouse.transaction():
        warehouse.append("source_file", source.with_columns(now.alias("received_at")))
        if outcome.rejected.height:
            warehouse.append(
                "rejected_row",
                outcome.rejected.with_columns(pl.lit(sha).alias("source_sha256"), pl.lit(file).alias("file")),
            )
        if kind is not None and kind != "telemetry" and outcome.accepted.height:
            rows = outcome.accepted.with_columns(pl.lit(sha).alias("source_sha256"), now.alias("received_at"))
            warehouse.append(f"received_{kind}", rows)
    return received
