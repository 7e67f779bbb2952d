"""The lake: telemetry and bins as Parquet, one folder a machine and UTC day, every file written whole or not at all."""

import datetime as dt
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq


def write_whole(frame: pl.DataFrame, path: Path) -> None:
    """Write Parquet so that a crash leaves the old file or the new one, never half of one.

    Written by Arrow: its dictionaries halve logged values, which repeat, and cost less than packing them.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f".{path.name}.partial")
    pq.write_table(
        frame.to_arrow(), partial, compression="lz4", write_statistics=False,
        store_schema=False,
    )  # fmt: skip
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


PREFIX = 16
"""A telemetry file's name begins with so many characters of its source's sha-256."""
TAKING = "taking"


@dataclass(frozen=True)
class Lake:
    """The Parquet part of a workspace.

    Telemetry lies at `telemetry/<machine>/<day>/<first 16 of the source's sha-256>-<part>-<from>-<to>.parquet`, from
    and to in microseconds since 1970. A file counts only once its source is recorded in the warehouse. While a source
    is being taken its prefix stands in the file `taking`: what a crash leaves of it is swept before the next.
    """

    root: Path

    @staticmethod
    def _folder_name(machine_id: str) -> str:
        """A machine id as a folder name: ids are untrusted text."""
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in machine_id)[:40]
        return safe if safe == machine_id else f"{safe}~{hashlib.sha256(machine_id.encode()).hexdigest()[:8]}"

    def _day_folder(self, machine_id: str, day: dt.date) -> Path:
        return self.root / "telemetry" / self._folder_name(machine_id) / str(day)

    def put_telemetry(self, rows: pl.DataFrame, machine_id: str, day: dt.date, source: str, part: int) -> None:
        """Store rows of one machine-day from one source, in order of time."""
        ordered = rows if rows["logged_at"].is_sorted() else rows.sort("logged_at", maintain_order=True)
        times = ordered["logged_at"].to_physical()
        name = f"{source[:PREFIX]}-{part:05d}-{times[0]}-{times[-1]}.parquet"
        write_whole(ordered, self._day_folder(machine_id, day) / name)

    def telemetry_of(self, machine_id: str, day: dt.date, sources: set[str]) -> list[Path]:
        """Return the files of one machine-day from the sources whose prefixes are given."""
        return [p for p in sorted(self._day_folder(machine_id, day).glob("*.parquet")) if p.stem[:PREFIX] in sources]

    @staticmethod
    def span_of(path: Path) -> tuple[int, int]:
        """Return the first and last time of a telemetry file, in microseconds since 1970, from its name."""
        first, last = path.stem.split("-")[2:4]
        return int(first), int(last)

    def begin_taking(self, sources: list[str]) -> None:
        """Note which sources are being taken or dropped, before anything of theirs is written or deleted."""
        self.root.mkdir(parents=True, exist_ok=True)
        partial = self.root / f".{TAKING}.partial"
        partial.write_text("\n".join(s[:PREFIX] for s in sources), "ascii")
        partial.replace(self.root / TAKING)

    def end_taking(self) -> None:
        """Note that all is recorded."""
        (self.root / TAKING).unlink(missing_ok=True)

    def sweep(self, recorded: set[str]) -> int:
        """Delete what a run that did not end left behind of sources not recorded; return how many files."""
        note = self.root / TAKING
        if not note.exists():
            return 0
        swept = 0
        for prefix in {line.strip() for line in note.read_text("ascii").splitlines()} - recorded - {""}:
            for path in (self.root / "telemetry").glob(f"*/*/*{prefix}-*.parquet*"):
                path.unlink()
                swept += 1
        self.end_taking()
        return swept

    def machine_days(self, sources: set[str]) -> dict[tuple[str, str], list[Path]]:
        """Return the telemetry files of recorded sources (their prefixes) by (machine folder, day)."""
        out: dict[tuple[str, str], list[Path]] = {}
        for path in sorted((self.root / "telemetry").glob("*/*/*.parquet")):
            if path.stem[:PREFIX] in sources:
                out.setdefault((path.parent.parent.name, path.parent.name), []).append(path)
        return out

    def bin_path(self, machine: str, day: str) -> Path:
        """Return where the bins of a machine-day lie."""
        return self.root / "bin" / machine / f"{day}.parquet"

    def bins_of_day(self, machine_id: str, day: dt.date) -> pl.DataFrame:
        """Return the bins of one machine-day; an empty frame where there are none."""
        path = self.bin_path(self._folder_name(machine_id), str(day))
        return pl.read_parquet(path) if path.exists() else pl.DataFrame(schema=NO_BINS)

    def read_bins(self) -> pl.DataFrame:
        """Return all bins, by machine and time; an empty frame where there are none."""
        paths = sorted((self.root / "bin").glob("*/*.parquet"))
        if not paths:
            return pl.DataFrame(schema=NO_BINS)
        return pl.concat([pl.read_parquet(p) for p in paths], how="diagonal").sort("machine_id", "bin_at")
