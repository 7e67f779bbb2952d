"""The first rows of a file as a mapping would read them."""

from pathlib import Path

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.open import open_source
from transforms.ingest.validate import Reader


def first_rows(path: Path, mapping: Mapping, catalogue: Catalogue, n: int) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Read until `n` good rows are found, or the file ends.

    Returns:
        (good rows, rejected rows, rows looked at).

    Raises:
        SourceFileError: the file as a whole cannot be read through this mapping.
    """
    source, reader = open_source(path, Reader(mapping, catalogue, path.name))
    good: list[pl.DataFrame] = []
    rejected: list[pl.DataFrame] = []
    looked = base = 0
    try:
        for read in source.pieces:
            checked = reader.check(read())
            good.append(checked.good.drop("row").with_columns(pl.col("line") + base))
            rejected.append(checked.rejected.with_columns(pl.col("line") + base))
            base += checked.piece.lines
            looked += checked.rows_in
            if sum(g.height for g in good) >= n:
                break
    finally:
        source.close()
    return pl.concat(good).head(n), pl.concat(rejected), looked
