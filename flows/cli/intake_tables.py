"""Console tables of the commands status and check: files, sources, rejected rows and stored tables."""

from collections.abc import Mapping

import polars as pl

from flows.cli.columns import Column, Row, figure, local_time, plain
from flows.cli.console_table import ConsoleTable
from reports.language.labels import setting_label
from reports.language.reason_messages.failed_reads import failed_read_words
from reports.language.reason_text import row_reason
from reports.language.table_labels import table_label
from reports.language.translate import say, translated
from reports.sections.data_health import FAULT_WORDS
from transforms.config.workspace import Season


def kind_words(kind: str | None) -> str:
    """Return a kind of file as words."""
    return say("not recognised") if kind is None else translated(kind.replace("_", " "))


def _kind(row: Row) -> str:
    return kind_words(row["kind"])


def failed_table(failed: pl.DataFrame, zone: str) -> ConsoleTable:
    """Return the table of files whose reader failed."""
    return ConsoleTable(
        say(
            "Files that could not be read (a quarantined file is read again only after it or its mapping changes; "
            "times in {zone})",
            zone=zone,
        ),
        (
            plain(say("File"), "file"),
            Column(say("Reason"), lambda row: failed_read_words(row["reason_code"])),
            plain(say("Failures"), "failures"),
            plain(say("In quarantine"), "in_quarantine"),
            local_time(say("Last failure"), "last_failed_at", zone),
        ),
        failed.to_dicts(),
    )


def rejected_table(title: str, rejected: pl.DataFrame, line: str, season: Season) -> ConsoleTable:
    """Return the table of rejected rows by reason; the first line of each is in the column `line`."""
    return ConsoleTable(
        title,
        (
            plain(say("File"), "file"),
            Column(say("Reason"), lambda row: row_reason(row, season.catalogue)),
            plain(say("Rows"), "rows"),
            plain(say("First line"), line),
            plain(say("Example"), "example"),
        ),
        rejected.to_dicts(),
    )


def status_tables(found: Mapping[str, pl.DataFrame], season: Season) -> list[ConsoleTable]:
    """Return the tables of the command status."""
    zone = season.time_zone
    counts = (
        plain(say("Rows accepted"), "rows_accepted"),
        plain(say("Rows rejected"), "rows_rejected"),
        plain(say("Rows repeated"), "rows_repeated"),
    )
    files, rows, kind = plain(say("Files"), "files"), plain(say("Rows"), "rows_in"), Column(say("Kind"), _kind)
    return [
        ConsoleTable(say("Received files"), (kind, files, rows, *counts), found["arrived"].to_dicts()),
        ConsoleTable(
            say("Delay of each source since its newest row (times in {zone})", zone=zone),
            (
                kind,
                plain(say("Mapping"), "mapping"),
                files,
                rows,
                plain(say("Rows rejected"), "rows_rejected"),
                local_time(say("Last received"), "last_received_at", zone),
                local_time(say("Newest row"), "newest_row_at", zone),
                figure(say("Delay, h"), "lag_h", 1),
            ),
            found["sources"].to_dicts(),
        ),
        rejected_table(say("Rejected rows by reason"), found["rejected"], "first_line", season),
        ConsoleTable(
            say("Notes on reading"),
            (plain(say("Note"), "reason"), files, plain(say("First file"), "first_file")),
            found["findings"].to_dicts(),
        ),
        failed_table(found["failed"], zone),
        ConsoleTable(
            say("Ids that look alike"),
            (kind, plain(say("Ids"), "ids"), plain(say("Written as"), "written")),
            found["lookalikes"].to_dicts(),
        ),
        ConsoleTable(
            say("Sensors flagged on most days: are they set points? Their readings are used"),
            (
                plain(say("Machine"), "machine_id"),
                Column(say("Setting"), lambda row: setting_label(row["setting"], season.catalogue)),
                Column(say("Reason"), lambda row: say(FAULT_WORDS[row["fault_code"]])),
                plain(say("Days flagged"), "flagged"),
                plain(say("Days"), "days"),
            ),
            found["questioned_sensors"].to_dicts(),
        ),
        ConsoleTable(
            say("Stored tables"),
            (Column(say("Table"), lambda row: table_label(row["name"])), plain(say("Rows"), "rows")),
            found["tables"].to_dicts(),
        ),
    ]


def check_table(files: pl.DataFrame, zone: str) -> ConsoleTable:
    """Return the table of the rows that ingest would store."""
    return ConsoleTable(
        say("Rows that ingest would store (times in {zone})", zone=zone),
        (
            plain(say("File"), "file"),
            plain(say("Mapping"), "mapping"),
            plain(say("Rows"), "rows_in"),
            plain(say("Rows accepted"), "rows_accepted"),
            plain(say("Rows rejected"), "rows_rejected"),
            plain(say("Rows repeated"), "rows_repeated"),
            local_time(say("From"), "from_at", zone),
            local_time(say("To"), "to_at", zone),
        ),
        files.to_dicts(),
    )


def examples_table(rows: list[Row]) -> ConsoleTable:
    """Return the table of example files with their mappings."""
    return ConsoleTable(
        say("Example files, invented"),
        (
            Column(say("Kind"), _kind),
            Column(say("File"), lambda row: str(row["file"])),
            Column(say("Mapping"), lambda row: str(row["mapping"])),
            plain(say("Rows"), "rows"),
        ),
        rows,
    )
