"""Tables of the command `map`: the proposed columns, and the first rows read through them."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl
from rich.console import Console

from flows.cli.columns import Figure, plain
from flows.cli.console_table import ConsoleTable
from flows.cli.intake_tables import kind_words, rejected_table
from flows.cli.mapping_questions import unplaced_columns, unread_sheets
from flows.cli.output import print_line, show
from flows.cli.stored_columns import stored_columns, stored_heading
from reports.language.display_units import number
from reports.language.reason_text import format_reason
from reports.language.time_patterns import time_pattern
from reports.language.translate import say, say_n
from transforms.config.workspace import Season
from transforms.contracts.reason import REASON_COLUMNS
from transforms.ingest.propose.proposal import Proposal

MAX_REASONS = 5
"""Reasons of rejected rows that a preview lists, the most frequent first."""


@dataclass(frozen=True)
class MappingPreview:
    """Proposal with the first rows read through it.

    Attributes:
        proposal: the proposal.
        target: file of the mapping.
        rows: first good rows.
        rejected: rejected rows.
        examined: number of rows examined.
    """

    proposal: Proposal
    target: Path
    rows: pl.DataFrame
    rejected: pl.DataFrame
    examined: int

    @property
    def is_readable(self) -> bool:
        """True if a row can be read, so that the mapping is saved."""
        return self.rows.height > 0

    def filled(self) -> pl.DataFrame:
        """Return the first rows without empty columns."""
        rows = self.rows
        return rows.select(c for c in rows.columns if c == "line" or rows[c].null_count() < rows.height)


def print_proposal(console: Console, proposals: list[Proposal], season: Season) -> None:
    """Print the proposed mappings as part of the dialogue."""
    for why in dict.fromkeys(why for p in proposals for why in p.reasons):
        print_line(console, f"· {format_reason(why, season.catalogue)}")
    for proposal in (p for p in proposals if p.columns):
        show(_proposal_table(proposal, season), stderr=console.stderr)
    unread = unplaced_columns(proposals)
    if unread:
        print_line(console, say("Not read: {columns}", columns=", ".join(unread)))
    if any(_lacks_settings(p, season) for p in proposals):
        print_line(
            console,
            say(
                "No machine setting is read from this log, so no effect and no advice can follow from it. Name its "
                "columns: --answer 'share_depth_cm=COLUMN OF THE FILE' and so on."
            ),
        )
    sheets = unread_sheets(proposals)
    if sheets:
        print_line(console, say("Sheets not read: {sheets}", sheets=", ".join(sheets)))


def _lacks_settings(proposal: Proposal, season: Season) -> bool:
    """Return True for a log of which columns, but no machine setting, are read."""
    settings = {c for name, setting in season.catalogue.items() for c in (name, *setting.companions.values())}
    read = [c.column for c in proposal.columns]
    return proposal.kind == "telemetry" and bool(read) and settings.isdisjoint(read)


def _proposal_table(proposal: Proposal, season: Season) -> ConsoleTable:
    """Return the table of the proposed columns."""
    rows = [
        {
            "name": stored_heading(c.column, season),
            "source": " + ".join(c.row.get("from", [])) or str(c.row.get("value", "")) or say("file name"),
            "form": c.row.get("unit") or time_pattern(c.row.get("format") or ""),
            "confidence": Figure(100 * c.confidence),
            "reasons": "; ".join(format_reason(why, season.catalogue) for why in c.reasons),
        }
        for c in proposal.columns
    ]
    return ConsoleTable(
        say("Kind of rows: {kind}", kind=kind_words(proposal.kind)),
        (
            plain(say("Column"), "name"),
            plain(say("Read from"), "source"),
            plain(say("Unit or format"), "form"),
            plain(say("Confidence, %"), "confidence"),
            plain(say("Reason"), "reasons"),
        ),
        rows,
    )


def preview_tables(preview: MappingPreview, file_name: str, season: Season) -> list[ConsoleTable]:
    """Return the table of the first rows as read, and that of the reasons of rejected ones if there are any.

    Args:
        preview: the proposal with the rows read through it.
        file_name: name of the sample file.
        season: the season, for time zone and headings.
    """
    rows, rejected = preview.filled(), preview.rejected
    title = say_n(
        "The first {n} row as it would be read (times in {zone})",
        "The first {n} rows as they would be read (times in {zone})",
        rows.height,
        zone=season.time_zone,
    )
    tables = [ConsoleTable(title, stored_columns(tuple(rows.columns), season), rows.to_dicts())]
    if rejected.height:
        why = (
            rejected.group_by("rule", *REASON_COLUMNS, maintain_order=True)
            .agg(pl.len().cast(pl.Int64).alias("rows"), pl.col("line").min(), pl.col("raw").first().alias("example"))
            .sort("rows", descending=True, maintain_order=True)
            .head(MAX_REASONS)
            .with_columns(pl.lit(file_name).alias("file"))
        )
        count = say_n(
            "{n} of the first {all} rows would be rejected",
            "{n} of the first {all} rows would be rejected",
            rejected.height,
            all=number(preview.examined, 0),
        )
        tables.append(rejected_table(count, why, "line", season))
    return tables
