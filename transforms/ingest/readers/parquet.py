"""Reader of Parquet files in batches; types come from the file, units from the mapping."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE, RAW_CHARACTERS, Chunk, Source, rejected_rows
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.parquet_values import format_cell, is_text, to_series
from transforms.ingest.readers.text_layout import MAX_COLUMNS, repeated_names, unique_names

BATCH_ROWS = 200_000
MAX_ROW_GROUP_BYTES = 1 << 31
DAMAGE = (Exception, pl.exceptions.PanicException)
"""Exceptions that Parquet libraries raise for damaged files: any class, and panics, which are not `Exception`s."""


class _File:
    """Opened Parquet file.

    Attributes:
        names: unique column names.
        given: column names in the file.
    """

    def __init__(self, path: Path) -> None:
        schema = pq.ParquetFile(path).schema_arrow
        self.given = list(schema.names)
        texts = sorted({f.name for f in schema if is_text(f.type) or pa.types.is_dictionary(f.type)})
        # Reading text as a dictionary stores repeated values once, so that a small file cannot unpack to any size.
        self.file = pq.ParquetFile(path, read_dictionary=texts)
        self.names = unique_names([n.replace(MARK, " ") for n in self.given])
        meta = self.file.metadata
        self.largest_group = max((meta.row_group(i).total_byte_size for i in range(meta.num_row_groups)), default=0)

    def batches(self, wanted: list[str], rows: int) -> Iterator[Any]:
        """Yield batches of the wanted columns, under their unique names."""
        given = {self.given[self.names.index(n)] for n in wanted}
        for batch in self.file.iter_batches(batch_size=rows, columns=sorted(given)):
            # Columns with the same name are adjacent, in file order.
            own = [n for g in batch.schema.names for n, other in zip(self.names, self.given, strict=True) if g == other]
            by_name = dict(zip(dict.fromkeys(own), batch.columns, strict=True))
            yield pa.RecordBatch.from_arrays([by_name[n] for n in wanted], names=wanted)


def _open(path: Path) -> _File:
    try:
        file = _File(path)
    except DAMAGE as problem:
        raise SourceFileError("not_parquet", reason("not_parquet")) from problem
    if len(file.names) > MAX_COLUMNS:
        file.file.close()
        why = reason("file_too_many_columns", columns=len(file.names), max_columns=MAX_COLUMNS)
        raise SourceFileError("too_many_columns", why)
    if file.largest_group > MAX_ROW_GROUP_BYTES:
        file.file.close()
        raise SourceFileError("too_large", reason("row_group_too_large", max_gb=MAX_ROW_GROUP_BYTES >> 30))
    return file


def open_parquet(path: Path, mapping: Mapping) -> Source:
    """Open a Parquet file.

    Raises:
        SourceFileError: the file is not Parquet, or has too many columns or too large row groups.
    """
    file = _open(path)
    wanted = [n for n in file.names if n in set(mapping.sources())]
    return Source("\t".join(wanted), _pieces(file, wanted), file.file.close)


def parquet_rows(path: Path, n: int) -> pl.DataFrame:
    """Return the first rows of all columns of readable types, for a file without a mapping.

    Raises:
        SourceFileError: the file is not Parquet, or is damaged.
    """
    file = _open(path)
    columns = {}
    for name in file.names:
        batch = next(_batches(file, [name], n), None)
        try:
            columns[name] = to_series(batch.column(0), name)[0] if batch is not None else pl.Series(dtype=pl.String)
        except SourceFileError as problem:
            if problem.rule != "column_type":
                raise
    file.file.close()
    return pl.DataFrame(columns)


def _batches(file: _File, wanted: list[str], rows: int) -> Iterator[Any]:
    """Yield batches of columns, reporting damage as a `SourceFileError`."""
    batches = file.batches(wanted, rows)
    while True:
        try:
            batch = next(batches)
        except StopIteration:
            return
        except DAMAGE as problem:
            raise SourceFileError("not_parquet", reason("parquet_cut_short")) from problem
        yield batch


def _pieces(file: _File, wanted: list[str]) -> Iterator[Callable[[], Chunk]]:
    absent = {n: pl.String for n in file.names if n not in wanted}
    yield lambda: Chunk(
        pl.DataFrame(schema={**dict.fromkeys(wanted, pl.String), **absent, LINE: pl.Int64}),
        0,
        lambda lines: [""] * len(lines),
        findings=repeated_names(file.given),
    )
    for batch in _batches(file, wanted, BATCH_ROWS):
        yield partial(_piece, batch)


def _piece(batch: Any) -> Chunk:
    def raw(lines: list[int]) -> list[str]:
        return ["\t".join(format_cell(c[n - 1])[: RAW_CHARACTERS + 1] for c in batch.columns) for n in lines]

    try:
        read = {n: to_series(c, n) for n, c in zip(batch.schema.names, batch.columns, strict=True)}
        cells = pl.DataFrame({n: values for n, (values, _) in read.items()})
    except SourceFileError:
        raise
    except DAMAGE as problem:
        raise SourceFileError("not_parquet", reason("parquet_rows_damaged")) from problem
    cells = cells.with_columns(pl.int_range(1, batch.num_rows + 1, dtype=pl.Int64, eager=True).alias(LINE))
    bad = pl.repeat(value=False, n=batch.num_rows, eager=True)
    for _, undecoded in read.values():
        bad |= undecoded
    lines = cells.filter(bad)[LINE].to_list()
    rejected = rejected_rows(lines, None, raw(lines), "encoding", reason("row_not_utf8"))
    return Chunk(cells.filter(~bad), batch.num_rows, raw, rejected)
