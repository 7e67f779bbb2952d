"""Data of the page on the advice of the season and what became of it."""

from dataclasses import dataclass

import polars as pl

from reports.sections.health_data import FooterData, load_footer
from reports.sections.outcome_data import OutcomeData, load_outcome
from transforms.storage.warehouse import Warehouse


@dataclass(frozen=True)
class FollowedPageData:
    """Contents of the page.

    Attributes:
        outcome: totals, savings and verdicts of the season.
        weeks: rows of `uptake_period` by week.
        machines: rows of `uptake_machine`.
        operators: rows of `uptake_operator`; none if no operator is known.
        undone: settings that each machine most often left undone, rows of `uptake_undone`.
        unknown: reasons why moves cannot be judged, rows of `uptake_unknown`.
        recent: moves of the last seven shifts, rows of `uptake_recent`.
        footer: fits and row counts.
    """

    outcome: OutcomeData
    weeks: pl.DataFrame
    machines: pl.DataFrame
    operators: pl.DataFrame
    undone: pl.DataFrame
    unknown: pl.DataFrame
    recent: pl.DataFrame
    footer: FooterData


def load_followed_page(warehouse: Warehouse) -> FollowedPageData:
    """Return the contents of the page on the advice of the season."""
    return FollowedPageData(
        outcome=load_outcome(warehouse),
        weeks=warehouse.query("uptake_period", period="week"),
        machines=warehouse.query("uptake_machine"),
        operators=warehouse.query("uptake_operator"),
        undone=warehouse.query("uptake_undone"),
        unknown=warehouse.query("uptake_unknown"),
        recent=warehouse.query("uptake_recent"),
        footer=load_footer(warehouse),
    )
