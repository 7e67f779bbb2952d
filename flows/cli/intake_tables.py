"""Console tables of the commands status and check: files, sources, rejected rows and stored tables."""

from collections.abc import Mapping

import polars as pl

from flows.cli.columns import Column, Row, figure, local_time, plain
from flows.cli.console_table import ConsoleTable
from reports.language.labels import capital
from reports.language.reason_text import row_reason
from transforms.config.workspace import Season

FAILED = {
    "reader_too_slow": "reading took too long",
    "reader_processor_time": "reading took too much processor time",
    "reader_memory_exceeded": "reading took too much memory",
    "reader_out_of_memory": "there was not enough memory",
    "reader_killed": "the reading process was ended",
    "reader_exited": "the reading process ended with an error",
    "reader_panicked": "the reading library failed",
}
"""Code of a failed read -> its phrase without arguments, which the failure record does not store."""


def kind_words(kind: str | None) -> str:
    """Return a kind of file as words."""
    return "not recognised" if kind is None else kind.replace("_", " ")


def _kind(row: Row) -> str:
    return kind_words(row["kind"])


def failed_table(failed: pl.DataFrame, zone: str) -> ConsoleTable:
    """Return the table of files whose reader failed."""
    return ConsoleTable(
        f"Files that could not be read (a quarantined file is read again only after it or its mapping changes; times "
        f"in {zone})",
        (
            plain("File", "file"),
            Column("Reason", lambda row: FAILED.get(row["reason_code"], "an internal error; report it")),
            plain("Failures", "failures"),
            plain("In quarantine", "in_quarantine"),
            local_time("Last failure", "last_failed_at", zone),
        ),
        failed.to_dicts(),
    )


def rejected_table(title: str, rejected: pl.DataFrame, line: str, season: Season) -> ConsoleTable:
    """Return the table of rejected rows by reason; the first line of each is in the column `line`."""
    return ConsoleTable(
        title,
        (
            plain("File", "file"),
            Column("Reason", lambda row: row_reason(row, season.catalogue)),
            plain("Rows", "rows"),
            plain("First line", line),
            plain("Example", "example"),
        ),
        rejected.to_dicts(),
    )


def status_tables(found: Mapping[str, pl.DataFrame], season: Season) -> list[ConsoleTable]:
    """Return the tables of the command status."""
    zone = season.time_zone
    counts = (
        plain("Rows accepted", "rows_accepted"),
        plain("Rows rejected", "rows_rejected"),
        plain("Rows repeated", "rows_repeated"),
    )
    files, rows = plain("Files", "files"), plain("Rows", "rows_in")
    return [
        ConsoleTable("Received files", (Column("Kind", _kind), files, rows, *counts), found["arrived"].to_dicts()),
        ConsoleTable(
            f"Delay of each source since its newest row (times in {zone})",
            (
                Column("Kind", _kind),
                plain("Mapping", "mapping"),
                files,
                rows,
                plain("Rows rejected", "rows_rejected"),
                local_time("Last received", "last_received_at", zone),
                local_time("Newest row", "newest_row_at", zone),
                figure("Delay, h", "lag_h", 1),
            ),
            found["sources"].to_dicts(),
        ),
        rejected_table("Rejected rows by reason", found["rejected"], "first_line", season),
        ConsoleTable(
            "Notes on reading",
            (plain("Note", "reason"), plain("Files", "files"), plain("First file", "first_file")),
            found["findings"].to_dicts(),
        ),
        failed_table(found["failed"], zone),
        ConsoleTable(
            "Ids that look alike",
            (Column("Kind", _kind), plain("Ids", "ids"), plain("Written as", "written")),
            found["lookalikes"].to_dicts(),
        ),
        ConsoleTable(
            "Stored tables",
            (Column("Table", lambda row: capital(row["name"].replace("_", " "))), plain("Rows", "rows")),
            found["tables"].to_dicts(),
        ),
    ]


def check_table(files: pl.DataFrame, zone: str) -> ConsoleTable:
    """Return the table of the rows that ingest would store."""
    return ConsoleTable(
        f"Rows that ingest would store (times in {zone})",
        (
            plain("File", "file"),
            plain("Mapping", "mapping"),
            plain("Rows", "rows_in"),
            plain("Rows accepted", "rows_accepted"),
            plain("Rows rejected", "rows_rejected"),
            plain("Rows repeated", "rows_repeated"),
            local_time("From", "from_at", zone),
            local_time("To", "to_at", zone),
        ),
        files.to_dicts(),
    )
