"""Check of columns before rows are stored: names, types, and columns that must not be null."""

import polars as pl
from polars.datatypes import DataTypeClass


def check_columns(table: str, rows: pl.Schema, declared: pl.Schema, required: set[str]) -> None:
    """Raise an error if rows do not have the columns of a declared table.

    Args:
        table: name of the table, for the message.
        rows: columns of the rows.
        declared: columns of the table.
        required: columns that must not be null and have no default.

    Raises:
        ValueError: the table has no such column, its type differs, or a required column is omitted.
    """
    omitted = required - set(rows)
    if omitted:
        raise ValueError(f"table '{table}' needs the columns {', '.join(sorted(omitted))}")
    for column, kind in rows.items():
        if column not in declared:
            raise ValueError(f"table '{table}' has no column '{column}'")
        if not _fits(kind, declared[column]):
            raise ValueError(f"column '{column}' of table '{table}' is {declared[column]}, not {kind}")


def _fits(kind: pl.DataType | DataTypeClass, column: pl.DataType | DataTypeClass) -> bool:
    """Return True if a column can store values of another type unchanged."""
    if kind in {column, pl.Null} or (isinstance(column, pl.Datetime) and isinstance(kind, pl.Datetime)):
        return True
    if isinstance(column, pl.List) and isinstance(kind, pl.List):
        return _fits(kind.inner, column.inner)
    return kind.is_integer() and column.is_numeric()
