"""Files whose reader failed: rejected at once, read again once by a later run, then not again while nothing changes."""

import datetime as dt
from importlib.metadata import PackageNotFoundError, version

import polars as pl

from transforms.ingest.inbox import Inbox, InboxFile
from transforms.ingest.mapping import Mapping
from transforms.storage.warehouse import Warehouse

MAX_TRIES = 2
"""A first failure may be for want of memory or time on a busy machine; a second one is the file's. Common practice, no
source."""


def _of(sha: str) -> pl.DataFrame:
    return pl.DataFrame({"source_sha256": [sha]})


def _program() -> str:
    """Return the program's version; one that runs from its sources has none."""
    try:
        return version("taretrace")
    except PackageNotFoundError:
        return "sources"


def note_failure(found: InboxFile, mapping: Mapping, code: str, warehouse: Warehouse) -> None:
    """Count a failure of a file's reader, in the transaction that rejects the file."""
    about = {"mapping_fingerprint": mapping.fingerprint(), "program": _program()}
    before = warehouse.matching("failed_read", _of(found.sha)).filter(**about)
    failures = 1 + (int(before["failures"][0]) if before.height else 0)
    forget_failure(found.sha, warehouse)
    row = {
        "source_sha256": found.sha,
        "file": found.file,
        "reason_code": code,
        "failures": failures,
        "last_failed_at": dt.datetime.now(dt.UTC),
        **about,
    }
    warehouse.append("failed_read", pl.DataFrame([row], schema_overrides={"last_failed_at": pl.Datetime("us", "UTC")}))


def forget_failure(sha: str, warehouse: Warehouse) -> None:
    """Note that a file was read."""
    warehouse.delete_matching("failed_read", _of(sha))


def sources_to_retry(warehouse: Warehouse) -> set[str]:
    """Return the sources that failed and are to be read again: once more, or because the program is another."""
    failed = warehouse.table("failed_read")
    again = (pl.col("failures") < MAX_TRIES) | (pl.col("program") != _program())
    return set(failed.filter(again)["source_sha256"].to_list())


def forget_rejections(inbox: Inbox, warehouse: Warehouse) -> int:
    """Drop the rejections of the inbox's files that are to be read again; return how many files."""
    again = sorted(sources_to_retry(warehouse) & {f.sha for f in inbox.found})
    if again:
        with warehouse.transaction():
            for sha in again:
                warehouse.forget_source(sha)
    return len(again)


def failed_reads(warehouse: Warehouse) -> pl.DataFrame:
    """Return the inbox's files whose reader failed: `file, reason_code, failures, in_quarantine, last_failed_at`."""
    return warehouse.query("failed_read", max_tries=MAX_TRIES)
