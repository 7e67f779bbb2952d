"""Recording of files in the warehouse: rows, rejected rows, findings and counts."""

import datetime as dt
import re

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason
from transforms.contracts.source_tables import contract
from transforms.ingest.chunk import rejected_rows
from transforms.ingest.failed_read import forget_failure
from transforms.ingest.inbox import InboxFile
from transforms.ingest.ingest_target import IngestTarget
from transforms.ingest.mapping import Mapping, original_name
from transforms.ingest.read_file import FileRead, IngestedFile
from transforms.storage.lake_record import record_files


def file_at(found: InboxFile, mapping: Mapping | None) -> dt.datetime:
    """Return the date of a file: the date in its name, if the mapping defines it; else its modification time."""
    if mapping is not None and mapping.dated is not None:
        match = re.search(mapping.dated.file_name, original_name(found.path.name))
        if match and match.groups():
            try:
                return dt.datetime.strptime(match.group(1), mapping.dated.format).replace(tzinfo=dt.UTC)
            except ValueError:
                pass
    return found.changed_at


def _record_source(found: InboxFile, received: IngestedFile, mapping: Mapping | None, store: IngestTarget) -> None:
    """Write the source row of a file and its findings, in the transaction that writes its rows."""
    row = {
        "source_sha256": found.sha,
        "file": found.file,
        "kind": received.kind,
        "mapping": received.mapping,
        "mapping_fingerprint": mapping.fingerprint() if mapping is not None else None,
        "header": received.header,
        "rows_in": received.rows_in,
        "rows_accepted": received.rows_accepted,
        "rows_rejected": received.rows_rejected,
        "rows_repeated": received.rows_repeated,
        "file_at": file_at(found, mapping),
        "from_at": received.from_at,
        "to_at": received.to_at,
        "received_at": dt.datetime.now(dt.UTC),
    }
    texts = dict.fromkeys(("kind", "mapping", "mapping_fingerprint"), pl.String)
    times = dict.fromkeys(("file_at", "from_at", "to_at", "received_at"), pl.Datetime("us", "UTC"))
    store.into.append("source_file", pl.DataFrame([row], schema_overrides={**texts, **times}))
    if received.findings:
        findings = [{"source_sha256": found.sha, "file": found.file, **f.columns} for f in received.findings]
        store.into.append("source_finding", pl.DataFrame(findings))


def _store_rows(found: InboxFile, mapping: Mapping, read: FileRead, catalogue: Catalogue, store: IngestTarget) -> None:
    """Store the rows of a file that is not telemetry; rows that another file already has count as repeated."""
    rows = read.rows
    if not rows.height:
        return
    name = f"received_{mapping.kind}"
    columns = [c for c in rows.columns if c not in {"line", "part"}]
    key = contract(mapping.kind, catalogue).primary_key()
    known = store.warehouse.matching(name, rows.select(key).unique())
    known = known.select(pl.col(c).cast(rows.schema[c]) for c in columns)
    new = rows.join(known, on=columns, how="anti", nulls_equal=True)
    read.received.rows_repeated += rows.height - new.height
    read.received.rows_accepted = new.height
    store.into.append(name, rows.with_columns(pl.lit(found.sha).alias("source_sha256")))


def clear_failure(found: InboxFile, store: IngestTarget) -> None:
    """Delete the failure record of a file, if it has one."""
    if found.sha in store.failed:
        forget_failure(found.sha, store.into)


def record_file(found: InboxFile, mapping: Mapping, read: FileRead, catalogue: Catalogue, store: IngestTarget) -> None:
    """Write all rows of a file, in the transaction of the caller."""
    _store_rows(found, mapping, read, catalogue, store)
    for rows in read.rejected.batches():
        store.into.append("rejected_row", rows)
    read.rejected.discard()
    record_files(store.into, read.files)
    clear_failure(found, store)
    _record_source(found, read.received, mapping, store)


def reject_whole(
    found: InboxFile, mapping: Mapping | None, rule: str, why: Reason, store: IngestTarget
) -> IngestedFile:
    """Write the single rejected row of an unreadable file, in the transaction of the caller."""
    kind, name = (None, None) if mapping is None else (mapping.kind, mapping.name)
    received = IngestedFile(found.file, kind, name, rows_in=1, rows_rejected=1)
    row = rejected_rows([0], None, [""], rule, why)
    store.into.append(
        "rejected_row", row.with_columns(pl.lit(found.sha).alias("source_sha256"), pl.lit(found.file).alias("file"))
    )
    _record_source(found, received, mapping, store)
    return received
