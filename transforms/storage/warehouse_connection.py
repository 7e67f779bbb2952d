"""DuckDB connection that raises errors a user can act on."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from transforms.storage.warehouse_faults import translate_error

IN_MEMORY = Path(":memory:")
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}
"""DuckDB must never download an extension."""
THREADS = 2
"""Threads of a connection unless `[run] threads` in season.toml names another number."""


class Connection:
    """DuckDB connection whose errors are translated for users; a full disk raises `OSError`, as elsewhere."""

    def __init__(self, path: Path, *, read_only: bool) -> None:
        self._path = path
        try:
            self._con = duckdb.connect(str(path), read_only=read_only, config=CONFIG)
        except duckdb.Error as problem:
            raise translate_error(problem, path, opening=True) from problem
        # DuckDB shows progress where it takes the program for a notebook, in the midst of a command's JSON. In a
        # notebook without the library of its widget it shows none, and refuses to change the setting.
        with suppress(duckdb.InvalidInputException):
            self._con.execute("set enable_progress_bar = false")

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
            fault = translate_error(problem, self._path)
            if fault is problem:
                raise
            raise fault from problem

    def frame(self, text: str, parameters: dict[str, Any]) -> pl.DataFrame:
        """Run a query and return its rows."""
        with self._faults():
            rows: pl.DataFrame = self._con.sql(text, params=parameters or None).pl()
        return rows
