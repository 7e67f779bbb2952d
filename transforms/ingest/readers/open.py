"""Selection of the reader for a file format."""

from dataclasses import replace
from pathlib import Path

from transforms.ingest.chunk import Source
from transforms.ingest.readers.delimited import open_delimited
from transforms.ingest.readers.geojson import open_geojson
from transforms.ingest.readers.ghcn import open_ghcn
from transforms.ingest.readers.gpx import open_gpx
from transforms.ingest.readers.iso11783.source import open_task_data
from transforms.ingest.readers.workbook import open_sheets
from transforms.ingest.validate import Reader


def open_source(path: Path, reader: Reader) -> tuple[Source, Reader]:
    """Open a file with the reader of its format.

    Args:
        path: the file.
        reader: validator of the file, without its header.

    Returns:
        (source of chunks, validator with the header of the file).

    Raises:
        SourceFileError: the whole file cannot be read through this mapping.
    """
    mapping = reader.mapping
    form = mapping.form_of(path)
    if form == "delimited":
        source = open_delimited(path, mapping, *reader.number_columns())
    elif form == "iso11783":
        source = open_task_data(path, mapping, reader.catalogue)
    elif form == "parquet":
        from transforms.ingest.readers.parquet import open_parquet  # noqa: PLC0415 - pyarrow delays the start

        source = open_parquet(path, mapping)
    else:
        opened = {"sheet": open_sheets, "geojson": open_geojson, "ghcn_daily": open_ghcn, "gpx": open_gpx}
        source = opened[form](path, mapping)
    return source, replace(reader, header=source.header)
