"""The lake: telemetry and bins as Parquet, one folder a machine and UTC day, every file written whole or not at all."""

import datetime as dt
import hashlib
import io
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Union

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from transforms.errors import DamagedError, WorkspaceError
from transforms.storage.atomic_file import write_bytes
from transforms.storage.lake_file import KINDS, LakeFile, Written

if TYPE_CHECKING:
    from upath import UPath


LakePath = Union[Path, "UPath"]
"""A place on the lake: a folder of this machine's, or an address on S3-compatible storage; both answer alike."""


def open_lake(address: str) -> LakePath:
    """Return the lake's root for `lake` of season.toml: a folder, or an address such as `s3://bucket/season`.

    Keys and endpoint of a storage come from its usual environment (`AWS_ACCESS_KEY_ID`, `AWS_ENDPOINT_URL_S3`, ...): no
    secret stands in a workspace.

    Raises:
        WorkspaceError: the libraries for such an address are not installed.
    """
    if "://" not in address:
        return Path(address)
    try:
        from upath import UPath  # noqa: PLC0415

        # Another process may have written since: a listing is never taken from memory.
        return UPath(address, use_listings_cache=False)
    except (ImportError, ValueError) as problem:
        raise WorkspaceError(
            f"nothing here can read '{address}' ({problem})",
            where="season.toml [run] lake",
            remedy="install taretrace with its cluster extra (requirements-cluster.txt), or name a folder",
        ) from problem


def _parquet(frame: pl.DataFrame) -> memoryview:
    """Written by Arrow: its dictionaries halve logged values, which repeat, and cost less than packing them."""
    body = pa.BufferOutputStream()
    pq.write_table(frame.to_arrow(), body, compression="lz4", write_statistics=False, store_schema=False)
    return memoryview(body.getvalue())


def write_atomic(frame: pl.DataFrame, path: LakePath) -> Written:
    """Write Parquet so that a crash leaves the old file or the new one, never half of one."""
    body = _parquet(frame)
    if isinstance(path, Path):
        write_bytes(body, path)
    else:
        path.write_bytes(bytes(body))
    return Written(body.nbytes, hashlib.sha256(body).hexdigest())


def write_bytes_atomic(body: bytes, path: LakePath) -> None:
    """Write bytes so that a reader never sees half of them; a storage's objects are whole by themselves."""
    if isinstance(path, Path):
        write_bytes(body, path, sync=False)
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(body)


def read_frame(path: LakePath, columns: list[str] | None = None, sha256: str | None = None) -> pl.DataFrame:
    """Read a Parquet file of the lake, all columns or those named.

    Args:
        path: the file.
        columns: the columns to read; all if None.
        sha256: the checksum that the file must have; not checked if None.

    Raises:
        DamagedError: the file is missing, is not Parquet, or is not the file that was written.
    """
    try:
        if sha256 is None and isinstance(path, Path):
            return pl.read_parquet(path, columns=columns)
        body = path.read_bytes()
        if sha256 not in {None, hashlib.sha256(body).hexdigest()}:
            raise damaged_file(path)
        return pl.read_parquet(io.BytesIO(body), columns=columns)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, FileNotFoundError, IsADirectoryError) as problem:
        raise damaged_file(path) from problem


def damaged_file(path: LakePath) -> DamagedError:
    """Return the error for a file of the lake that is missing or damaged."""
    return DamagedError(
        "a file of the lake is missing or damaged", where=str(path), remedy="run 'taretrace repair' on the workspace"
    )


NO_BINS: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "bin_at": pl.Datetime("us", "UTC"),
    "state": pl.String,
    "work_s": pl.Float64,
    "area_ha": pl.Float64,
    "field_id": pl.String,
}
"""Columns every bin has; a workspace without telemetry has these and no rows."""


PREFIX = 16
"""A telemetry file's name begins with so many characters of its source's sha-256."""
TAKING = "taking"
NAMED = re.compile(r"[0-9a-f]{16}-\d{5}-\d+-\d+\.parquet")
SOURCE_PREFIX = re.compile(r"[0-9a-f]{16}")


@dataclass(frozen=True)
class Lake:
    """The Parquet part of a workspace.

    Telemetry lies at `telemetry/<machine>/<day>/<first 16 of the source's sha-256>-<part>-<from>-<to>.parquet`, from
    and to in microseconds since 1970. A file counts only once its source is recorded in the warehouse. While a source
    is being taken its prefix stands in the file `taking`: what a crash leaves of it is swept before the next.
    """

    root: LakePath
    _sizes: dict[str, int] = field(default_factory=dict, compare=False, repr=False)

    @staticmethod
    def folder_name(machine_id: str) -> str:
        """A machine id as a folder name: ids are untrusted text."""
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in machine_id)[:40]
        return safe if safe == machine_id else f"{safe}~{hashlib.sha256(machine_id.encode()).hexdigest()[:8]}"

    def _day_folder(self, machine_id: str, day: dt.date) -> LakePath:
        return self.root / "telemetry" / self.folder_name(machine_id) / str(day)

    def put_telemetry(self, rows: pl.DataFrame, machine_id: str, day: dt.date, source: str, part: int) -> LakeFile:
        """Store rows of one machine-day from one source, in order of time; return the file written."""
        ordered = rows if rows["logged_at"].is_sorted() else rows.sort("logged_at", maintain_order=True)
        times = ordered["logged_at"].to_physical()
        name = f"{source[:PREFIX]}-{part:05d}-{times[0]}-{times[-1]}.parquet"
        path = self._day_folder(machine_id, day) / name
        written = write_atomic(ordered, path)
        machine = self.folder_name(machine_id)
        inside = f"telemetry/{machine}/{day}/{name}"
        return LakeFile(inside, "telemetry", source, machine, str(day), written.size_bytes, written.sha256)

    def put_day(self, frame: pl.DataFrame, kind: str, key: tuple[str, str]) -> LakeFile:
        """Store the bins (`bin`) or the lines (`rolled`) of a machine-day; return the file written."""
        inside = f"{kind}/{key[0]}/{key[1]}.parquet"
        written = write_atomic(frame, self.at(inside))
        return LakeFile(inside, kind, None, *key, written.size_bytes, written.sha256)

    def at(self, inside: str) -> LakePath:
        """Return the place of a path inside the lake."""
        return self.root.joinpath(*inside.split("/"))

    def listing(self) -> dict[str, int]:
        """Return path inside the lake -> size of every Parquet file of `KINDS`."""
        out = {}
        for kind, pattern in zip(KINDS, ("*/*/*.parquet", "*/*.parquet", "*/*.parquet"), strict=True):
            for path in self._listed(self.root / kind, pattern):
                if not isinstance(path, Path) or path.is_file():
                    out["/".join([kind, *path.parts[-pattern.count("/") - 1 :]])] = self.size_of(path)
        return out

    def is_there(self) -> bool:
        """Return whether the lake's root exists and holds anything; an unmounted folder does not."""
        try:
            return next(iter(self.root.iterdir()), None) is not None
        except (FileNotFoundError, NotADirectoryError):
            return False

    def telemetry_of(self, machine_id: str, day: dt.date, sources: set[str]) -> list[LakePath]:
        """Return the files of one machine-day from the sources whose prefixes are given."""
        found = self._listed(self._day_folder(machine_id, day), "*.parquet")
        return [p for p in found if p.stem[:PREFIX] in sources and NAMED.fullmatch(p.name)]

    def _listed(self, folder: LakePath, pattern: str) -> list[LakePath]:
        """Files in order of name. A storage lists names and sizes in one answer, and asked one by one is slow."""
        if isinstance(folder, Path):
            return sorted(folder.glob(pattern))
        found = folder.fs.glob(f"{folder.path}/{pattern}", detail=True)
        self._sizes.update({name: int(about["size"]) for name, about in found.items()})
        depth = pattern.count("/") + 1
        return [folder.joinpath(*name.split("/")[-depth:]) for name in sorted(found)]

    def size_of(self, path: LakePath) -> int:
        """Return the bytes of a file of the lake."""
        if isinstance(path, Path) or path.path not in self._sizes:
            return path.stat().st_size
        return self._sizes[path.path]

    @staticmethod
    def span_of(name: str) -> tuple[int, int]:
        """Return the first and last time of a telemetry file, in microseconds since 1970, from its name."""
        first, last = name.removesuffix(".parquet").split("-")[-2:]
        return int(first), int(last)

    def _taking(self) -> set[str]:
        note = self.root / TAKING
        return set(note.read_bytes().decode("ascii", "replace").split()) if note.exists() else set()

    def begin_ingest(self, sources: list[str]) -> None:
        """Note which sources are being taken or dropped, before anything of theirs is written or deleted."""
        held = self._taking() | {s[:PREFIX] for s in sources}
        write_bytes_atomic("\n".join(sorted(held)).encode("ascii"), self.root / TAKING)

    def end_ingest(self, sources: list[str]) -> None:
        """Note that all of these is recorded, or gone."""
        left = self._taking() - {s[:PREFIX] for s in sources}
        if left:
            write_bytes_atomic("\n".join(sorted(left)).encode("ascii"), self.root / TAKING)
        else:
            (self.root / TAKING).unlink(missing_ok=True)

    def remove_orphans(self, recorded: set[str]) -> int:
        """Delete what a run that did not end left behind of sources not recorded; return how many files."""
        taking = self._taking()
        if any(not SOURCE_PREFIX.fullmatch(line) for line in taking):
            # The note is damaged: every source that is not recorded may be one of its.
            paths = self._listed(self.root / "telemetry", "*/*/*.parquet")
            taking |= {p.stem[:PREFIX] for p in paths if NAMED.fullmatch(p.name)}
        swept = sum(self.delete_source(p) for p in sorted(taking) if SOURCE_PREFIX.fullmatch(p) and p not in recorded)
        (self.root / TAKING).unlink(missing_ok=True)
        return swept

    def is_taking_damaged(self) -> bool:
        """Return whether the note of sources in progress holds anything else than their prefixes."""
        return any(not SOURCE_PREFIX.fullmatch(line) for line in self._taking())

    def delete_source(self, source: str) -> int:
        """Delete the telemetry of one source; return how many files."""
        found = self._listed(self.root / "telemetry", f"*/*/*{source[:PREFIX]}-*.parquet*")
        for path in found:
            path.unlink()
        return len(found)

    def misnamed(self) -> dict[str, list[LakePath]]:
        """Return telemetry whose files an earlier taretrace named otherwise, by its source's prefix."""
        out: dict[str, list[LakePath]] = {}
        for path in self._listed(self.root / "telemetry", "*/*/*.parquet"):
            if not NAMED.fullmatch(path.name):
                out.setdefault(path.stem[:PREFIX], []).append(path)
        return out

    def machine_days(self, sources: set[str]) -> dict[tuple[str, str], list[LakePath]]:
        """Return the telemetry files of recorded sources (their prefixes) by (machine folder, day)."""
        out: dict[tuple[str, str], list[LakePath]] = {}
        for path in self._listed(self.root / "telemetry", "*/*/*.parquet"):
            if path.stem[:PREFIX] in sources:
                out.setdefault((path.parent.parent.name, path.parent.name), []).append(path)
        return out

    def bin_path(self, machine: str, day: str) -> LakePath:
        """Return where the bins of a machine-day lie."""
        return self.root / "bin" / machine / f"{day}.parquet"

    def rolled_path(self, machine: str, day: str) -> LakePath:
        """Return where it lies which lines the bins of a machine-day were logged on, whose records are let go."""
        return self.root / "rolled" / machine / f"{day}.parquet"

    def bins_of_day(self, machine_id: str, day: dt.date) -> pl.DataFrame:
        """Return the bins of one machine-day; an empty frame where there are none."""
        path = self.bin_path(self.folder_name(machine_id), str(day))
        return read_frame(path) if path.exists() else pl.DataFrame(schema=NO_BINS)

    def binned(self) -> dict[tuple[str, str], LakePath]:
        """Return where bins lie, by (machine folder, day)."""
        return {(p.parent.name, p.stem): p for p in self._listed(self.root / "bin", "*/*.parquet")}

    def read_bins(self, recorded: list[str] | None = None) -> pl.DataFrame:
        """Return all bins, or those of files recorded, by machine and time; an empty frame where there are none."""
        paths = list(self.binned().values()) if recorded is None else [self.at(path) for path in recorded]
        if not paths:
            return pl.DataFrame(schema=NO_BINS)
        return pl.concat([read_frame(p) for p in paths], how="diagonal").sort("machine_id", "bin_at")
