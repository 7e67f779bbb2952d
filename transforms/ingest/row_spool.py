"""Buffer for the rows of a file: in memory up to a limit, then in an Arrow stream on disk."""

import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa

MAX_BYTES = 64 << 20
"""Maximum size of rows in memory; larger buffers are written to disk."""


@dataclass(frozen=True)
class SpooledRows:
    """Buffered rows of one schema: those in a file, if there is one, then those in memory."""

    frames: list[pl.DataFrame] = field(default_factory=list)
    path: str | None = None

    def batches(self) -> Iterator[pl.DataFrame]:
        """Yield the rows in order."""
        if self.path is not None:
            with pa.OSFile(self.path) as file, pa.ipc.open_stream(file) as stream:
                for batch in stream:
                    yield pl.DataFrame(pl.from_arrow(batch))
        yield from self.frames

    def loaded(self) -> "SpooledRows":
        """Return the same rows in memory, to send them to another machine, and remove the file."""
        rows = SpooledRows(list(self.batches()))
        self.discard()
        return rows

    def discard(self) -> None:
        """Remove the file."""
        if self.path is not None:
            Path(self.path).unlink(missing_ok=True)


class RowSpool:
    """Collector of rows of one schema."""

    def __init__(self) -> None:
        self.frames: list[pl.DataFrame] = []
        self.bytes = 0
        self.path: str | None = None
        self.stream: Any = None

    def add(self, rows: pl.DataFrame) -> None:
        """Add rows."""
        if not rows.height:
            return
        self.frames.append(rows)
        self.bytes += int(rows.estimated_size())
        if self.bytes > MAX_BYTES:
            self._write()

    def _write(self) -> None:
        """Append the rows in memory to the file."""
        table = pl.concat(self.frames).to_arrow()
        if self.stream is None:
            handle, self.path = tempfile.mkstemp(prefix=f"taretrace-{os.getpid()}-")
            os.close(handle)
            self.stream = pa.ipc.new_stream(self.path, table.schema)
        self.stream.write_table(table)
        self.frames, self.bytes = [], 0

    def finish(self) -> SpooledRows:
        """Return the collected rows."""
        if self.stream is not None:
            self.stream.close()
        return SpooledRows(self.frames, self.path)
