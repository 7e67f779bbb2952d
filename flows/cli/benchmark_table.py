"""Console table of the command benchmark: subjects compared with the values expected for their conditions."""

import polars as pl

from flows.cli.columns import Column, Estimate, Figure, Row, plain
from flows.cli.console_table import ConsoleTable
from reports.language.display_units import DisplayUnits
from reports.language.labels import UNJUDGED, capital, counted_label, standing_label
from reports.language.translate import say, translated
from transforms.config.response_catalogue import RESPONSES


def response_unit(response: str) -> str:
    """Return the stored unit of a response."""
    return {"t_ha": "t/ha"}.get(unit := RESPONSES[response].unit, unit)


def response_digits(response: str, shown: DisplayUnits) -> int:
    """Return the decimals of a response in its displayed unit."""
    return max(1, shown.digits(response_unit(response)))


def response_figure(heading: str, name: str, response: str, shown: DisplayUnits) -> Column:
    """Return a column of a response's values, or differences of values, in the displayed unit."""
    return Column(f"{heading}, {shown.sign(response_unit(response))}", lambda row: _figure(row, name, response, shown))


def estimate_column(heading: str, response: str, shown: DisplayUnits) -> Column:
    """Return a column of the shrunken own effects with their intervals."""
    factor, _ = shown.straight(response_unit(response))
    digits = response_digits(response, shown)

    def value(row: Row) -> Estimate:
        middle, low, high = (
            None if row[c] is None else row[c] * factor for c in ("shrunken", "shrunken_lo95", "shrunken_hi95")
        )
        return Estimate(middle, low, high, digits)

    return Column(f"{heading}, {shown.sign(response_unit(response))}", value)


def response_columns(response: str, shown: DisplayUnits) -> tuple[Column, ...]:
    """Return the columns of a subject's figures: observed, expected, by settings, and its own effect."""
    return (
        response_figure(say("Observed"), "observed", response, shown),
        response_figure(say("Expected"), "expected", response, shown),
        response_figure(say("By settings"), "from_settings", response, shown),
        estimate_column(say("Own effect"), response, shown),
    )


def benchmark_table(title: str, table: pl.DataFrame, kind: str, response: str, shown: DisplayUnits) -> ConsoleTable:
    """Return the table of all subjects of a kind; `table` has rows of `benchmark` with their reasons."""
    columns = (
        plain(capital(translated(kind)), "subject_id"),
        *response_columns(response, shown),
        Column(say("Rank"), lambda row: Estimate(row["rank"], row["rank_lo95"], row["rank_hi95"])),
        Column(
            say("Compared"),
            lambda row: standing_label(row["standing"] or (None if row["shrunken"] is None else UNJUDGED)),
        ),
        plain(capital(counted_label(response)), "n"),
        *((plain(say("Not compared, because"), "reason"),) if table["reason"].drop_nulls().len() else ()),
    )
    return ConsoleTable(title, columns, table.to_dicts())


def _figure(row: Row, name: str, response: str, shown: DisplayUnits) -> Figure:
    factor, _ = shown.straight(response_unit(response))
    return Figure(None if row[name] is None else row[name] * factor, response_digits(response, shown))
