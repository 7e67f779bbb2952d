"""Laboratory values that are stated as below a limit, such as "<2"."""

import polars as pl

from transforms.contracts.reason import Reason, reason

LAB_KINDS = {"tare", "root_check"}
"""Kinds of files whose values may be below a limit of detection."""
SIGN = r"^\s*(<=?|≤)\s*"


def limits_as_values(cells: pl.DataFrame, numbers: set[str], kind: str) -> tuple[pl.DataFrame, tuple[Reason, ...]]:
    """Return the cells with each value below a limit replaced by the limit, and a finding per column with such values.

    Args:
        cells: the cells of a chunk.
        numbers: columns that are read as numbers.
        kind: kind of file; values of other kinds than a laboratory's stay as they are.
    """
    texts = [c for c in cells.columns if c in numbers and cells.schema[c] == pl.String]
    if kind not in LAB_KINDS or not texts:
        return cells, ()
    counts = cells.select(pl.col(texts).str.contains(SIGN).sum())
    found = {c: n for c in texts if (n := counts[c][0])}
    if not found:
        return cells, ()
    findings = tuple(reason("values_below_limit", source=c, n=n) for c, n in found.items())
    return cells.with_columns(pl.col(list(found)).str.replace(SIGN, "")), findings
