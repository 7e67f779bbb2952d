"""Duplicate rows: separation of new, repeated and clashing rows of one file."""

from typing import NamedTuple

import polars as pl

from transforms.contracts.reason import reason
from transforms.ingest.chunk import Chunk, rejected_rows


class SplitRows(NamedTuple):
    """Rows of a chunk after comparison with earlier rows.

    Attributes:
        new: rows that do not occur earlier.
        rejected: rejected rows whose key occurs earlier with other values, or that cannot be compared.
        repeated: number of rows that repeat an earlier row.
    """

    new: pl.DataFrame
    rejected: pl.DataFrame
    repeated: int


def split_clashes(rows: pl.DataFrame, key: list[str], chunk: Chunk, taken: pl.DataFrame | None) -> SplitRows:
    """Compare the good rows of a chunk with each other and with earlier rows of the same file.

    Args:
        rows: good rows with `line` and `row`; one line of a climate archive contains many rows.
        key: the primary key columns.
        chunk: the chunk that contains the rows.
        taken: rows of the same file that were accepted earlier.
    """
    columns = [c for c in rows.columns if c not in {"line", "row"}]
    fresh = rows.unique(columns, keep="first", maintain_order=True)
    if taken is not None and taken.height:
        fresh = fresh.join(taken.select(columns), on=columns, how="anti", nulls_equal=True, maintain_order="left")
    first = fresh.unique(key, keep="first", maintain_order=True)
    if taken is not None and taken.height:
        first = first.join(taken.select(key), on=key, how="anti", maintain_order="left")
    clash = fresh.join(first.select("row"), on="row", how="anti", maintain_order="left")["line"].to_list()
    rejected = rejected_rows(clash, key[0], chunk.raw(clash), "same_key_twice", reason("same_key_twice", key=key))
    return SplitRows(first, rejected, rows.height - first.height - len(clash))
