"""Destination of ingestion: the warehouse and lake that rows are compared with and written to."""

import datetime as dt

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.file_read import ReadJob
from transforms.ingest.inbox import InboxFile
from transforms.ingest.mapping import Mapping
from transforms.storage.lake import PREFIX, Lake
from transforms.storage.warehouse import Warehouse


class IngestTarget:
    """Destination of ingested rows, with the stored rows that they are compared with.

    Args:
        warehouse: warehouse with the rows of other files.
        lake: lake with the telemetry of other files.
        into: warehouse that rows are written to; default `warehouse`.
        onto: lake that telemetry is written to; default `lake`.
        recorded: hash prefixes of the sources whose telemetry is valid; default those in `warehouse`.
        rolled: machine-days whose records have expired; default those in `warehouse`.
    """

    def __init__(
        self,
        warehouse: Warehouse,
        lake: Lake,
        *,
        into: Warehouse | None = None,
        onto: Lake | None = None,
        recorded: set[str] | None = None,
        rolled: set[tuple[str, dt.date]] | None = None,
    ) -> None:
        self.warehouse, self.lake = warehouse, lake
        self.into, self.onto = into or warehouse, onto or lake
        self.recorded = _recorded_sources(warehouse) if recorded is None else recorded
        self.rolled = _expired_days(warehouse) if rolled is None else rolled
        self.failed = set(warehouse.table("failed_read")["source_sha256"].to_list())

    def jobs(self, files: list[tuple[InboxFile, tuple[Mapping, ...]]], catalogue: Catalogue) -> list[ReadJob]:
        """Return the read jobs for files with their matching mappings.

        All have the sources and expired machine-days known at present.
        """
        known = frozenset(self.recorded), frozenset(self.rolled)
        return [ReadJob(found, matches, catalogue, self.lake, self.onto, *known) for found, matches in files]


def _recorded_sources(warehouse: Warehouse) -> set[str]:
    return {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}


def _expired_days(warehouse: Warehouse) -> set[tuple[str, dt.date]]:
    return set(warehouse.table("rolled_day").select("machine_id", pl.col("day").str.to_date()).iter_rows())
