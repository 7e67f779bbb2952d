"""A season opened read-only: its tables, queries, effects and what-if questions as polars frames."""

import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import polars as pl

from flows.api.what_if import QuestionInput, WhatIf, answer_question
from flows.runtime.language import workspace_language
from reports.language.labels import setting_label
from reports.language.reason_text import with_reasons
from transforms.advice.what_if_table import read_table
from transforms.config.workspace import Workspace
from transforms.errors import LockedError, WorkspaceError
from transforms.operations.export import TABLES
from transforms.storage.lake import Lake
from transforms.storage.lake_record import recorded_files
from transforms.storage.own_queries import OwnQueries
from transforms.storage.product_basis import GUIDE, product_status
from transforms.storage.sql_files import relation_header

BIN = "bin"
BIN_HEADER = (
    "A row is 30 s of one machine: position, state, mean settings. Key: machine_id, bin_at. Stored in the lake."
)
WAIT_S, LOOK_EVERY_S = 60.0, 0.1
"""A run writes to the warehouse for seconds at a time; a read waits this long for a moment between."""


class SeasonReader:
    """A season's stored results; nothing can be written through it.

    Each call opens the warehouse for as long as it reads, so that an open notebook never blocks a run, and a run never
    blocks a notebook for longer than one of its writes. Two calls may therefore show two states of the season.

    Args:
        folder: the workspace folder, which contains `season.toml`.
        wait_s: seconds that a read waits while a run writes to the warehouse.

    Raises:
        WorkspaceError: the folder has no readable `season.toml`.
    """

    def __init__(self, folder: Path, wait_s: float = WAIT_S) -> None:
        self._workspace, self._wait_s = Workspace(folder), wait_s
        _ = self._workspace.season

    def __repr__(self) -> str:
        """Return the name of the season and its folder."""
        return f"<season {self.name!r} in {self.folder}>"

    @property
    def name(self) -> str:
        """Name of the season in `season.toml`."""
        return self._workspace.season.name

    @property
    def folder(self) -> Path:
        """The workspace folder, absolute."""
        return self._workspace.root.resolve()

    @contextmanager
    def _opened(self) -> Iterator[OwnQueries]:
        """Open the warehouse for reading, once the run that writes to it at this moment has paused.

        Raises:
            WorkspaceError: nothing has been ingested yet.
            LockedError: the run went on writing for longer than the waiting time.
        """
        path, until = self._workspace.warehouse, time.monotonic() + self._wait_s
        if not path.exists():
            raise WorkspaceError(
                "nothing has been ingested yet",
                where=str(self.folder),
                remedy="run 'taretrace post-shift' on the workspace first",
            )
        while True:
            try:
                warehouse = OwnQueries(path, threads=self._workspace.season.place.threads)
                break
            except LockedError:
                if time.monotonic() >= until:
                    raise
                time.sleep(LOOK_EVERY_S)
        with warehouse, workspace_language(self._workspace.root):
            yield warehouse

    def tables(self) -> pl.DataFrame:
        """Return the public tables of the season, those that `taretrace export` writes.

        Returns:
            One row per table that exists, in the order of the pipeline: `name`; `rows`, their number; `columns`, their
            number; `description`, which states what a row is and its key. The numbers are null for `bin`, which is
            stored in files beside the warehouse.
        """
        with self._opened() as warehouse:
            found: list[tuple[str, int | None, int | None, str]] = []
            for name in TABLES:
                if warehouse.has(name):
                    rows = int(warehouse.query("row_count", relation=name).item())
                    about = relation_header(name)
                    found.append((name, rows, len(warehouse.columns(name)), about))
            if recorded_files(warehouse, BIN):
                found.append((BIN, None, None, BIN_HEADER))
        schema = {"name": pl.String, "rows": pl.Int64, "columns": pl.Int64, "description": pl.String}
        return pl.DataFrame(found, schema=schema, orient="row")

    def table(self, name: str) -> pl.DataFrame:
        """Return all rows of one table.

        Args:
            name: a name in `tables()`; `bin` is read from the lake and may take more memory than all others together.

        Returns:
            The stored columns. A column ends in its unit (`_pct`, `_t`, `_cm`, `_t_ha`), a time in `_at` and is UTC.
            A table with `reason_code` also has `reason`, its sentence in the language of the season.

        Raises:
            WorkspaceError: there is no such table.
        """
        with self._opened() as warehouse:
            if name == BIN:
                return self._bins(warehouse)
            if not warehouse.has(name):
                raise WorkspaceError(
                    "there is no table '{name}'",
                    where=str(self.folder),
                    remedy="use a name that 'tables()' lists; a table exists once its stage has run",
                    name=name,
                )
            return with_reasons(warehouse.table(name), self._workspace.season.catalogue)

    def _bins(self, warehouse: OwnQueries) -> pl.DataFrame:
        return Lake(self._workspace.lake).read_bins([f.path for f in recorded_files(warehouse, BIN)])

    def sql(self, query: str, /, **values: Any) -> pl.DataFrame:
        """Run one query over the tables and return its rows.

        Args:
            query: the query, in the SQL of DuckDB.
            values: a polars frame is a table of that name in the query; any other value is its parameter `$name`.

        Returns:
            The rows, with the columns that the query names.

        Raises:
            WorkspaceError: the text is not one query; nothing was run.
            duckdb.Error: the query is wrong, or reads a file; the message shows where.
        """
        frames = {name: value for name, value in values.items() if isinstance(value, pl.DataFrame)}
        with self._opened() as warehouse:
            return warehouse.run(query, {k: v for k, v in values.items() if k not in frames}, frames)

    def settings(self) -> pl.DataFrame:
        """Return the settings that the season knows.

        Returns:
            One row per setting: `setting`, its name and column; `label`; `unit`, in which it is stored; `step`, one
            practical step in that unit.
        """
        catalogue = self._workspace.season.catalogue
        with workspace_language(self._workspace.root):
            rows = [(s.name, setting_label(s.name, catalogue), s.unit, s.step) for s in catalogue.values()]
        schema = {"setting": pl.String, "label": pl.String, "unit": pl.String, "step": pl.Float64}
        return pl.DataFrame(rows, schema=schema, orient="row")

    def effects(self, response: str | None = None, setting: str | None = None) -> pl.DataFrame:
        """Return the estimated effects of the last fit: the change of a response by one step up of one setting.

        Effects are measured associations within visits (one machine, one day, one field), not promises.

        Args:
            response: only of this response, such as `dirt_tare_pct`.
            setting: only of this setting, such as `share_depth_cm`.

        Returns:
            The rows of the table `effect`, and `label` of the setting: `change_pct` with its 95 % interval `lo95` to
            `hi95`, in percent of the response; per `step` in `unit`; in `wetness_class` and `soil_class`, both null
            over all; `n` loads; `reason`. `change_pct` is null if there is no estimate.

        Raises:
            WorkspaceError: nothing was fitted yet.
        """
        effect = self.table("effect")
        if not effect.height:
            raise WorkspaceError(
                "nothing was fitted yet",
                where=str(self.folder),
                remedy="run 'taretrace post-shift' on the workspace first",
            )
        wanted = {"response": response, "setting": setting}
        kept = effect.filter(**{column: value for column, value in wanted.items() if value is not None})
        labels = self.settings().select("setting", "label")
        named = kept.join(labels, on="setting", how="left", maintain_order="left")
        return named.select("response", "setting", "label", pl.exclude("response", "setting", "label"))

    def what_if(
        self,
        settings: Mapping[str, float] | None = None,
        *,
        parts: Mapping[str, str] | None = None,
        topsoil_wetness: float | None = None,
        clay_pct: float | None = None,
        air_temp_c: float | None = None,
        yield_t_ha: float | None = None,
        force: bool = False,
    ) -> WhatIf:
        """Predict dirt, losses and cost for given settings and conditions.

        Advice is decision support; the result repeats the cautions of every page. A question outside what the fleet
        has tried in such conditions is refused, as there is no evidence there.

        Args:
            settings: setting -> value in its stored unit (`settings()`); one that is not given has its usual value.
            parts: place, such as `cleaning` or `cleaner_1` -> part fitted there; usual parts where it is not given.
            topsoil_wetness: 0 (dry) to 1 (wet); the season's median if it is not given, like all conditions.
            clay_pct: clay content of the topsoil in percent, 0 to 60.
            air_temp_c: air temperature in degrees Celsius.
            yield_t_ha: yield in tonnes per hectare, 5 to 160.
            force: answer also outside the tried range; the result states what is outside.

        Raises:
            WorkspaceError: nothing was fitted yet, a setting is not in the fit, a part was not compared, a condition is
                impossible, or the question is outside the tried range and `force` is not set.
        """
        conditions = {
            "topsoil_wetness": topsoil_wetness,
            "clay_pct": clay_pct,
            "air_temp_c": air_temp_c,
            "yield_t_ha": yield_t_ha,
        }
        with self._opened() as warehouse:
            basis = product_status(warehouse, GUIDE).code.value
            asked = QuestionInput(dict(settings or {}), dict(parts or {}), conditions, basis, force=force)
            return answer_question(read_table(self._workspace.what_if), asked, self._workspace.season)


def open_season(folder: str | os.PathLike[str] = ".", *, wait_s: float = WAIT_S) -> SeasonReader:
    """Open a season read-only.

    Args:
        folder: the workspace folder, which contains `season.toml`.
        wait_s: seconds that a read waits while a run writes to the warehouse.

    Raises:
        WorkspaceError: the folder has no readable `season.toml`.
    """
    return SeasonReader(Path(folder), wait_s)
