"""Columns that a mapping must define: those that every row needs, and groups of alternatives."""

from collections.abc import Collection

import dataframely as dy

from transforms.contracts.harvest_checks import CHECKS_NEED, Alternatives
from transforms.contracts.source_tables import DEFAULTS

ONE_NEEDED: dict[str, tuple[Alternatives, ...]] = {
    "load": ((("delivered_t",), ("truck_full_t", "truck_empty_t")),),
    **CHECKS_NEED,
}
"""Kind of file -> groups of alternatives, each of columns; a mapping must define all columns of one alternative of each
group."""


def needed_columns(schema: type[dy.Schema]) -> list[str]:
    """Return the columns that a mapping must define."""
    unless_cancelled = {r.removesuffix("_needed") for r in dir(schema) if r.endswith("_needed")}
    columns = schema.columns()
    return [n for n, c in columns.items() if n not in DEFAULTS and (not c.nullable or n in unless_cancelled)]


def unmet_groups(kind: str, columns: Collection[str]) -> list[Alternatives]:
    """Return the groups of alternatives of a kind of file of which the columns contain no alternative whole."""
    return [
        group
        for group in ONE_NEEDED.get(kind, ())
        if not any(set(alternative) <= set(columns) for alternative in group)
    ]
