"""Recording of files in the warehouse: rows, rejected rows, findings and counts."""

import datetime as dt
import re

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason
from transforms.contracts.source_tables import contract
from transforms.ingest.chunk import rejected_rows
from transforms.ingest.failed_read import forget_failure
from transforms.ingest.file_read import FileRead, IngestedFile, MappedRead
from transforms.ingest.inbox import InboxFile
from transforms.ingest.ingest_target import IngestTarget
from transforms.ingest.mapping import Mapping, original_name
from transforms.ingest.mapping_match import matched_fingerprint
from transforms.ingest.row_collector import source_columns
from transforms.storage.lake_record import record_files


def file_at(found: InboxFile, matches: tuple[Mapping, ...]) -> dt.datetime:
    """Return the date of a file: the earliest date in its name that a mapping defines; else its modification time."""
    return min((at for m in matches if (at := _date_in_name(found, m)) is not None), default=found.changed_at)


def _date_in_name(found: InboxFile, mapping: Mapping) -> dt.datetime | None:
    match = re.search(mapping.dated.file_name, original_name(found.path.name)) if mapping.dated is not None else None
    if mapping.dated is None or match is None or not match.groups():
        return None
    try:
        return dt.datetime.strptime(match.group(1), mapping.dated.format).replace(tzinfo=dt.UTC)
    except ValueError:
        return None


def _record_sources(
    found: InboxFile, received: list[IngestedFile], matches: tuple[Mapping, ...], store: IngestTarget
) -> None:
    """Write the source rows of a file and its findings, in the transaction that writes its rows."""
    fingerprints, now = {m.name: m.fingerprint() for m in matches}, dt.datetime.now(dt.UTC)
    rows = [
        {
            "source_sha256": found.sha,
            "file": found.file,
            "kind": r.kind,
            "mapping": r.mapping,
            "mapping_fingerprint": None if r.mapping is None else fingerprints[r.mapping],
            "matched_fingerprint": matched_fingerprint(found.file, matches),
            "header": r.header,
            "rows_in": r.rows_in,
            "rows_accepted": r.rows_accepted,
            "rows_rejected": r.rows_rejected,
            "rows_repeated": r.rows_repeated,
            "file_at": file_at(found, matches),
            "from_at": r.from_at,
            "to_at": r.to_at,
            "received_at": now,
        }
        for r in received
    ]
    texts = dict.fromkeys(("kind", "mapping", "mapping_fingerprint", "matched_fingerprint"), pl.String)
    times = dict.fromkeys(("file_at", "from_at", "to_at", "received_at"), pl.Datetime("us", "UTC"))
    store.into.append("source_file", pl.DataFrame(rows, schema_overrides={**texts, **times}))
    findings = list(dict.fromkeys(f for r in received for f in r.findings))
    if findings:
        noted = [{"source_sha256": found.sha, "file": found.file, **f.columns} for f in findings]
        store.into.append("source_finding", pl.DataFrame(noted))


def _store_rows(found: InboxFile, read: MappedRead, catalogue: Catalogue, store: IngestTarget) -> None:
    """Store the rows of a kind that is not telemetry; rows that another file already has count as repeated."""
    rows, kind = read.rows, str(read.received.kind)
    if not rows.height:
        return
    name = f"received_{kind}"
    columns = [c for c in rows.columns if c not in {"line", "part"}]
    key = contract(kind, catalogue).primary_key()
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


def record_file(
    found: InboxFile, matches: tuple[Mapping, ...], read: FileRead, catalogue: Catalogue, store: IngestTarget
) -> list[IngestedFile]:
    """Write all rows of a file, in the transaction of the caller; return the counts of each mapping."""
    for part in read.reads:
        _store_rows(found, part, catalogue, store)
        for rows in part.rejected.batches():
            store.into.append("rejected_row", rows)
    read.discard()
    record_files(store.into, read.files)
    clear_failure(found, store)
    received = [part.received for part in read.reads]
    _record_sources(found, received, matches, store)
    return received


def reject_whole(
    found: InboxFile, matches: tuple[Mapping, ...], rule: str, why: Reason, store: IngestTarget
) -> IngestedFile:
    """Write the single rejected row of an unreadable file, in the transaction of the caller.

    Args:
        found: the file.
        matches: every mapping that matches it; the row counts as one of the first.
        rule: code of the rule that the file breaks.
        why: the reason for rejecting it.
        store: the destination.
    """
    kind, name = (matches[0].kind, matches[0].name) if matches else (None, None)
    received = IngestedFile(found.file, kind, name, rows_in=1, rows_rejected=1, refused=why)
    row = rejected_rows([0], None, [""], rule, why)
    store.into.append("rejected_row", row.with_columns(**source_columns(found, name)))
    _record_sources(found, [received], matches, store)
    return received
