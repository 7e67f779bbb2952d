"""Files whose reader failed: rejected at once, retried once by a later run, then only after a program update."""

import datetime as dt
from importlib.metadata import PackageNotFoundError, version

import polars as pl

from transforms.contracts.read_failure import FailureCode
from transforms.ingest.inbox import Inbox, InboxFile
from transforms.storage.warehouse import Warehouse

MAX_TRIES = 2
"""Maximum attempts: a first failure may be due to a busy machine, a second one is attributed to the file. Common
practice, no source."""


def _source(sha: str) -> pl.DataFrame:
    """Return a one-row frame that selects a source."""
    return pl.DataFrame({"source_sha256": [sha]})


def _program() -> str:
    """Return the version of the installed program; "sources" if it is not installed as a package."""
    try:
        return version("taretrace")
    except PackageNotFoundError:
        return "sources"


def record_failure(found: InboxFile, fingerprint: str, code: FailureCode, warehouse: Warehouse) -> None:
    """Count a reader failure of a file, in the transaction that rejects the file.

    Args:
        found: the file.
        fingerprint: fingerprint of the mappings that match the file.
        code: code of the failure.
        warehouse: the warehouse of the workspace.
    """
    attempt = {"mapping_fingerprint": fingerprint, "program": _program()}
    before = warehouse.matching("failed_read", _source(found.sha)).filter(**attempt)
    failures = 1 + (int(before["failures"][0]) if before.height else 0)
    forget_failure(found.sha, warehouse)
    row = {
        "source_sha256": found.sha,
        "file": found.file,
        "reason_code": code,
        "failures": failures,
        "last_failed_at": dt.datetime.now(dt.UTC),
        **attempt,
    }
    warehouse.append("failed_read", pl.DataFrame([row], schema_overrides={"last_failed_at": pl.Datetime("us", "UTC")}))


def forget_failure(sha: str, warehouse: Warehouse) -> None:
    """Delete the failure record of a file that was read successfully."""
    warehouse.delete_matching("failed_read", _source(sha))


def sources_to_retry(warehouse: Warehouse) -> set[str]:
    """Return the failed sources to retry: those with attempts left, or that failed in another program version."""
    failed = warehouse.table("failed_read")
    again = (pl.col("failures") < MAX_TRIES) | (pl.col("program") != _program())
    return set(failed.filter(again)["source_sha256"].to_list())


def forget_rejections(inbox: Inbox, warehouse: Warehouse) -> int:
    """Delete the rejections of inbox files to be retried; return the number of files."""
    again = sorted(sources_to_retry(warehouse) & {f.sha for f in inbox.found})
    if again:
        with warehouse.transaction():
            for sha in again:
                warehouse.delete_source(sha)
    return len(again)


def failed_reads(warehouse: Warehouse) -> pl.DataFrame:
    """Return the inbox files whose reader failed: `file, reason_code, failures, in_quarantine, last_failed_at`."""
    return warehouse.query("failed_read", max_tries=MAX_TRIES)
