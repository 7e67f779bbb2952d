"""The lake: telemetry and bins as Parquet, one folder a machine and UTC day, every file written whole or not at all."""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

import polars as pl


def write_whole(frame: pl.DataFrame, path: Path) -> None:
    """Write Parquet so that a crash leaves the old file or the new one, never half of one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f".{path.name}.partial")
    frame.write_parquet(partial, compression="zstd")
    with partial.open("rb") as handle:
        os.fsync(handle.fileno())
    partial.replace(path)


NO_BINS: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "bin_at": pl.Datetime("us", "UTC"),
    "state": pl.String,
    "area_ha": pl.Float64,
    "field_id": pl.String,
}
"""Columns every bin has; a workspace without telemetry has these and no rows."""


@dataclass(frozen=True)
class Lake:
    """The Parquet part of a workspace.

    Telemetry lies at `telemetry/<machine>/<day>/<first 16 of the source's sha-256>.parquet`. A file counts only once
    its source is recorded in the warehouse; one left by a crash is overwritten when its source is read again.
    """

    root: Path

    @staticmethod
    def _folder_name(machine_id: str) -> str:
        """A machine id as a folder name: ids are untrusted text."""
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in machine_id)[:40]
        return safe if safe == machine_id else f"{safe}~{hashlib.sha256(machine_id.encode()).hexdigest()[:8]}"

    def put_telemetry(self, rows: pl.DataFrame, source: str) -> None:
        """Store accepted telemetry rows of one source file, split by machine and UTC day."""
        dated = rows.with_columns(pl.col("logged_at").dt.date().alias("day"))
        for (machine_id, day), part in dated.group_by("machine_id", "day", maintain_order=True):
            folder = self.root / "telemetry" / self._folder_name(str(machine_id)) / str(day)
            write_whole(part.drop("day", "line").sort("logged_at"), folder / f"{source[:16]}.parquet")

    def known_telemetry(self, rows: pl.DataFrame, sources: set[str]) -> pl.DataFrame | None:
        """Return the stored rows of the machines and days that `rows` touch, from sources already recorded."""
        days = rows.select("machine_id", pl.col("logged_at").dt.date().alias("day")).unique().drop_nulls()
        paths = [
            p
            for machine_id, day in days.iter_rows()
            for p in (self.root / "telemetry" / self._folder_name(machine_id) / str(day)).glob("*.parquet")
            if p.stem in sources
        ]
        return pl.concat([pl.read_parquet(p) for p in sorted(paths)], how="diagonal") if paths else None

    def machine_days(self, sources: set[str]) -> dict[tuple[str, str], list[Path]]:
        """Return the recorded telemetry files by (machine folder, day)."""
        out: dict[tuple[str, str], list[Path]] = {}
        for path in sorted((self.root / "telemetry").glob("*/*/*.parquet")):
            if path.stem in sources:
                out.setdefault((path.parent.parent.name, path.parent.name), []).append(path)
        return out

    def bin_path(self, machine: str, day: str) -> Path:
        """Return where the bins of a machine-day lie."""
        return self.root / "bin" / machine / f"{day}.parquet"

    def read_bins(self) -> pl.DataFrame:
        """Return all bins, by machine and time; an empty frame where there are none."""
        paths = sorted((self.root / "bin").glob("*/*.parquet"))
        if not paths:
            return pl.DataFrame(schema=NO_BINS)
        return pl.concat([pl.read_parquet(p) for p in paths], how="diagonal").sort("machine_id", "bin_at")
