"""Opens a file with the reader of its form."""

from dataclasses import replace
from pathlib import Path

from transforms.ingest.chunk import Source
from transforms.ingest.readers.delimited import open_delimited
from transforms.ingest.readers.geojson import open_geojson
from transforms.ingest.readers.ghcn import open_ghcn
from transforms.ingest.readers.iso11783.source import open_task_data
from transforms.ingest.readers.parquet import open_parquet
from transforms.ingest.readers.workbook import open_sheets
from transforms.ingest.validate import Reader


def open_source(path: Path, reader: Reader) -> tuple[Source, Reader]:
    """Open a file; returns its pieces and the reader that checks them.

    Raises:
        SourceFileError: the file as a whole cannot be read through this mapping.
    """
    mapping = reader.mapping
    form = mapping.form_of(path)
    if form == "delimited":
        source = open_delimited(path, mapping, reader.numbers())
    elif form == "iso11783":
        source = open_task_data(path, mapping, reader.catalogue)
    else:
        opened = {
            "sheet": open_sheets,
            "parquet": open_parquet,
            "geojson": open_geojson,
            "ghcn_daily": open_ghcn,
        }
        source = opened[form](path, mapping)
    return source, replace(reader, header=source.header)
