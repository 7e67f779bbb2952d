"""The connection to DuckDB, with its errors as errors for people."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from transforms.storage.warehouse_faults import as_fault

IN_MEMORY = Path(":memory:")
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
"""Nothing is ever fetched from a network."""


class Connection:
    """DuckDB's connection, with its errors as errors for people; a full disk is an `OSError` as it is everywhere."""

    def __init__(self, path: Path, *, read_only: bool) -> None:
        self._path = path
        try:
            self._con = duckdb.connect(str(path), read_only=read_only, config=CONFIG)
        except duckdb.Error as problem:
            raise as_fault(problem, path, opening=True) from problem

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._con, name)

        def call(*args: Any, **kwargs: Any) -> Any:
            with self._faults():
                return method(*args, **kwargs)

        return call

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except duckdb.Error as problem:
            fault = as_fault(problem, self._path)
            if fault is problem:
                raise
            raise fault from problem

    def frame(self, text: str, parameters: dict[str, Any]) -> pl.DataFrame:
        """Run a query and return its rows."""
        with self._faults():
            rows: pl.DataFrame = self._con.sql(text, params=parameters or None).pl()
        return rows
