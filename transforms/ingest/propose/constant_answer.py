"""Constants that a user states for a whole file, in the type of their column."""

import datetime as dt

import dataframely as dy

Constant = str | float | dt.datetime


def parse_answer(text: str, column: dy.Column) -> Constant:
    """Return a stated value in the type of a column; unchanged if it is not such a value, so that its check fails.

    Args:
        text: the value, without its equals sign.
        column: contract of the column.
    """
    try:
        if isinstance(column, dy.Datetime):
            return dt.datetime.fromisoformat(text.replace("Z", "+00:00"))
        if isinstance(column, (dy.Float64, dy.Int64)):
            return float(text.replace(",", "."))
    except ValueError:
        pass
    return text
