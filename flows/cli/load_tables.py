"""Console tables of the command explain load: tickets, lab results, quality of the trace, minutes, and clocks."""

import polars as pl

from flows.cli.columns import Column, Figure, Row, figure, local_time, plain
from flows.cli.console_table import ConsoleTable
from flows.cli.stored_columns import stored_columns
from reports.language.translate import say
from transforms.config.workspace import Season
from transforms.contracts.haulage import TRUCK_COLUMNS

RECEIPT = ("file", "part", "line")
TICKET = ("revision", "issued_at", "cancelled", "field_id", "machine_id", "site_id", "left_field_at", "weighed_at")
WEIGHTS = ("truck_full_t", "truck_empty_t", "delivered_t", "clean_t")
LAB = ("sample_id", "revision", "issued_at", "cancelled", "dirt_tare_pct", "top_tare_pct", "sample_kg")


def _percent(heading: str, name: str) -> Column:
    """Return a column that shows a stored fraction in percent."""
    return Column(f"{heading}, %", lambda row: Figure(None if row[name] is None else 100 * row[name], 1))


def _chance(row: Row) -> Figure:
    """Return a probability in whole percent; no probability is shown as certain."""
    chance = row["machine_chance"]
    return Figure(None if chance is None else min(100 * chance, 99.0))


def _haulage(tickets: pl.DataFrame) -> list[str]:
    """Return the haulage columns that a ticket of a load has."""
    return [c for c in TRUCK_COLUMNS if tickets[c].null_count() < tickets.height]


def load_tables(load_id: str, tables: dict[str, pl.DataFrame], season: Season) -> list[ConsoleTable]:
    """Return the tables behind a load; `tables` are those of the JSON result."""
    zone = season.time_zone
    return [
        ConsoleTable(
            say(
                "Load {load}: weighing time by the corrected clock and as printed (times in {zone})",
                load=load_id,
                zone=zone,
            ),
            (
                local_time(say("Weighed by the corrected clock"), "weighed_at", zone),
                local_time(say("Weighed as printed"), "printed_on_ticket_at", zone),
                figure(say("Clock of the factory ahead, min"), "site_ahead_min", 0),
            ),
            tables["weighing"].to_dicts(),
        ),
        ConsoleTable(
            say("Weigh tickets, newest first (times as printed, in {zone})", zone=zone),
            stored_columns((*RECEIPT, *TICKET, *WEIGHTS, *_haulage(tables["tickets"])), season),
            tables["tickets"].to_dicts(),
        ),
        ConsoleTable(
            say("Lab results, newest first (times in {zone})", zone=zone),
            stored_columns((*RECEIPT, *LAB), season),
            tables["labs"].to_dicts(),
        ),
        ConsoleTable(
            say("Quality of the trace"),
            (
                plain(say("Field"), "field_id"),
                _percent(say("Trace quality"), "trace_quality"),
                _percent(say("Traced share"), "traced_share"),
                Column(say("Chance that the machine is right, %"), _chance),
                plain(say("Reason"), "reason"),
            ),
            tables["grade"].to_dicts(),
        ),
        ConsoleTable(
            say("Harvesting minutes and the source lines that log them (times in {zone})", zone=zone),
            (
                plain(say("Machine"), "machine_id"),
                local_time(say("From"), "from_at", zone),
                local_time(say("To"), "to_at", zone),
                _percent(say("Share of the load"), "share"),
                plain(say("File"), "file"),
                plain(say("Part of the file"), "part"),
                plain(say("First line"), "first_line"),
                plain(say("Last line"), "last_line"),
                plain(say("Records"), "records"),
            ),
            tables["minutes"].to_dicts(),
        ),
    ]
