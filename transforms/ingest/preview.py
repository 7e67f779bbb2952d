"""Preview of a file: its first rows, read through a mapping."""

from pathlib import Path
from typing import NamedTuple

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.open import open_source
from transforms.ingest.validate import Reader


class Preview(NamedTuple):
    """First rows of a file: good rows, rejected rows, and the number of rows examined."""

    good: pl.DataFrame
    rejected: pl.DataFrame
    examined: int


def first_rows(path: Path, mapping: Mapping, catalogue: Catalogue, n: int) -> Preview:
    """Return at most `n` good rows of a file, reading until they are found or the file ends.

    Args:
        path: the file.
        mapping: the mapping that reads it.
        catalogue: the machine settings of the workspace.
        n: number of good rows to find.

    Raises:
        SourceFileError: the whole file cannot be read through this mapping.
    """
    source, reader = open_source(path, Reader(mapping, catalogue, path.name))
    good: list[pl.DataFrame] = []
    rejected: list[pl.DataFrame] = []
    examined = base = 0
    try:
        for read in source.pieces:
            checked = reader.check(read())
            good.append(checked.good.drop("row").with_columns(pl.col("line") + base))
            rejected.append(checked.rejected.with_columns(pl.col("line") + base))
            base += checked.chunk.lines
            examined += checked.rows_in
            if sum(g.height for g in good) >= n:
                break
    finally:
        source.close()
    return Preview(pl.concat(good).head(n), pl.concat(rejected), examined)
