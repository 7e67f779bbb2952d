"""Reads Parquet in batches: columns are typed already, units still come from the mapping."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from transforms.errors import SourceFileError
from transforms.intake.mapping import Mapping
from transforms.intake.piece import LINE, MARK, Piece, Source

BATCH_ROWS = 200_000
MAX_ROW_GROUP_BYTES = 1 << 31


def open_parquet(path: Path, mapping: Mapping) -> Source:
    """Open a Parquet file.

    Raises:
        SourceFileError: it is none, or its row groups are larger than any export's.
    """
    try:
        file = pq.ParquetFile(path)
        names = list(file.schema_arrow.names)
        groups = [file.metadata.row_group(i).total_byte_size for i in range(file.metadata.num_row_groups)]
    except (pa.ArrowException, OSError, ValueError) as problem:
        raise SourceFileError(
            "not_parquet", "the file cannot be opened as Parquet; it is damaged or cut short"
        ) from problem
    if max(groups, default=0) > MAX_ROW_GROUP_BYTES:
        raise SourceFileError("too_large", "a row group of the file is larger than 2 GB; write it in smaller ones")
    wanted = [n for n in names if n in set(mapping.sources())]
    return Source("\t".join(wanted), _batches(file, wanted, names), file.close)


def _batches(file: Any, wanted: list[str], names: list[str]) -> Iterator[Callable[[], Piece]]:
    absent = {n: pl.String for n in names if n not in wanted and MARK not in n}
    yield lambda: Piece(
        pl.DataFrame(schema={**dict.fromkeys(wanted, pl.String), **absent, LINE: pl.Int64}),
        0,
        lambda lines: [""] * len(lines),
    )
    batches = file.iter_batches(batch_size=BATCH_ROWS, columns=wanted)
    while True:
        try:
            batch = next(batches)
        except StopIteration:
            return
        except (pa.ArrowException, OSError) as problem:
            raise SourceFileError("not_parquet", "the file is damaged: its rows cannot be read to the end") from problem
        yield partial(_piece, batch)


def _piece(batch: Any) -> Piece:
    try:
        rows = pl.DataFrame(pl.from_arrow(batch))
    except (pl.exceptions.PolarsError, pa.ArrowException, ValueError) as problem:
        raise SourceFileError("not_parquet", "the file holds columns of a type that no export has") from problem
    odd = [c for c, t in rows.schema.items() if t.is_nested() or t == pl.Binary]
    rows = rows.with_columns(pl.lit(None, dtype=pl.String).alias(c) for c in odd)
    floats = [c for c, t in rows.schema.items() if t.is_float()]
    rows = rows.with_columns(pl.col(c).fill_nan(None) for c in floats)
    cells = rows.with_columns(pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias(LINE))

    def raw(lines: list[int]) -> list[str]:
        return ["\t".join("" if v is None else str(v) for v in rows.row(n - 1)) for n in lines]

    return Piece(cells, rows.height, raw)
