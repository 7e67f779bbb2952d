"""The lake: telemetry and bins as Parquet files by machine and UTC day, each written atomically."""

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
"""A path on the lake: local, or on S3-compatible storage; both have the same interface."""


def open_lake(address: str) -> LakePath:
    """Return the lake's root for `lake` of season.toml: a folder, or an address such as `s3://bucket/season`.

    The keys and endpoint of object storage come from its standard environment variables (`AWS_ACCESS_KEY_ID`,
    `AWS_ENDPOINT_URL_S3`, ...), so that a workspace never contains a secret.

    Raises:
        WorkspaceError: no installed file system supports the address.
    """
    if "://" not in address:
        return Path(address)
    try:
        from upath import UPath  # noqa: PLC0415

        # Another process may have written in the meantime, so never use a cached listing.
        return UPath(address, use_listings_cache=False)
    except (ImportError, ValueError) as problem:
        raise WorkspaceError(
            "no installed file system supports '{address}' ({problem})",
            where="season.toml [run] lake",
            remedy="install taretrace with its cluster extra (requirements-cluster.txt), or name a folder",
            address=address,
            problem=str(problem),
        ) from problem


def _parquet(frame: pl.DataFrame) -> memoryview:
    """Return a frame as Parquet; Arrow's dictionary encoding halves repetitive logs at less cost than compression."""
    body = pa.BufferOutputStream()
    pq.write_table(frame.to_arrow(), body, compression="lz4", write_statistics=False, store_schema=False)
    return memoryview(body.getvalue())


def write_atomic(frame: pl.DataFrame, path: LakePath) -> Written:
    """Write Parquet so that a crash leaves either the old file or the new one, never a partial file."""
    body = _parquet(frame)
    if isinstance(path, Path):
        write_bytes(body, path)
    else:
        path.write_bytes(bytes(body))
    return Written(body.nbytes, hashlib.sha256(body).hexdigest())


def write_bytes_atomic(body: bytes, path: LakePath) -> None:
    """Write bytes so that a reader never sees a partial file; object storage is atomic by itself."""
    if isinstance(path, Path):
        write_bytes(body, path, sync=False)
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(body)


def read_frame(path: LakePath, columns: list[str] | None = None, sha256: str | None = None) -> pl.DataFrame:
    """Read a Parquet file of the lake.

    Args:
        path: the file.
        columns: the columns to read; all if None.
        sha256: the expected checksum; not checked if None.

    Raises:
        DamagedError: the file is missing, is not Parquet, or has another checksum.
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
"""Columns of every bin; a workspace without telemetry has a frame of these columns and no rows."""


PREFIX = 16
"""Number of characters of the source's SHA-256 at the start of a telemetry file name."""
IN_PROGRESS = "taking"
NAMED = re.compile(r"[0-9a-f]{16}-\d{5}-\d+-\d+\.parquet")
SOURCE_PREFIX = re.compile(r"[0-9a-f]{16}")


@dataclass(frozen=True)
class Lake:
    """The Parquet part of a workspace.

    Telemetry files are named `telemetry/<machine>/<day>/<prefix>-<part>-<from>-<to>.parquet`: the prefix is the first
    16 characters of the source's SHA-256, from and to are microseconds since 1970. A file is valid only once the
    warehouse records its source. During the ingest of a source, the file `taking` lists its prefix, so that the next
    run can remove the files of an interrupted one.
    """

    root: LakePath
    _sizes: dict[str, int] = field(default_factory=dict, compare=False, repr=False)

    @staticmethod
    def folder_name(machine_id: str) -> str:
        """Return a machine id as a safe folder name: ids are untrusted text."""
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in machine_id)[:40]
        return safe if safe == machine_id else f"{safe}~{hashlib.sha256(machine_id.encode()).hexdigest()[:8]}"

    def _day_folder(self, machine_id: str, day: dt.date) -> LakePath:
        return self.root / "telemetry" / self.folder_name(machine_id) / str(day)

    def put_telemetry(self, rows: pl.DataFrame, machine_id: str, day: dt.date, source: str, part: int) -> LakeFile:
        """Store the rows of one machine-day from one source, ordered by time; return the written file."""
        ordered = rows if rows["logged_at"].is_sorted() else rows.sort("logged_at", maintain_order=True)
        times = ordered["logged_at"].to_physical()
        name = f"{source[:PREFIX]}-{part:05d}-{times[0]}-{times[-1]}.parquet"
        path = self._day_folder(machine_id, day) / name
        written = write_atomic(ordered, path)
        machine = self.folder_name(machine_id)
        inside = f"telemetry/{machine}/{day}/{name}"
        return LakeFile(inside, "telemetry", source, machine, str(day), written.size_bytes, written.sha256)

    def put_day(self, frame: pl.DataFrame, kind: str, key: tuple[str, str]) -> LakeFile:
        """Store the bins (`bin`) or the source lines (`rolled`) of a machine-day; return the written file."""
        inside = f"{kind}/{key[0]}/{key[1]}.parquet"
        written = write_atomic(frame, self.at(inside))
        return LakeFile(inside, kind, None, *key, written.size_bytes, written.sha256)

    def at(self, inside: str) -> LakePath:
        """Return the full path of a path relative to the lake root."""
        return self.root.joinpath(*inside.split("/"))

    def listing(self) -> dict[str, int]:
        """Return the size in bytes of every Parquet file of `KINDS`, by path relative to the lake root."""
        out = {}
        for kind, pattern in zip(KINDS, ("*/*/*.parquet", "*/*.parquet", "*/*.parquet"), strict=True):
            for path in self._listed(self.root / kind, pattern):
                if not isinstance(path, Path) or path.is_file():
                    out["/".join([kind, *path.parts[-pattern.count("/") - 1 :]])] = self.size_of(path)
        return out

    def is_there(self) -> bool:
        """Return True if the lake's root exists and is not empty; an unmounted folder is empty."""
        try:
            return next(iter(self.root.iterdir()), None) is not None
        except (FileNotFoundError, NotADirectoryError):
            return False

    def telemetry_of(self, machine_id: str, day: dt.date, sources: set[str]) -> list[LakePath]:
        """Return the files of one machine-day from sources with the given prefixes."""
        found = self._listed(self._day_folder(machine_id, day), "*.parquet")
        return [p for p in found if p.stem[:PREFIX] in sources and NAMED.fullmatch(p.name)]

    def _listed(self, folder: LakePath, pattern: str) -> list[LakePath]:
        """Return files by name; cache the sizes that object storage lists, as single requests are slow."""
        if isinstance(folder, Path):
            return sorted(folder.glob(pattern))
        found = folder.fs.glob(f"{folder.path}/{pattern}", detail=True)
        self._sizes.update({name: int(about["size"]) for name, about in found.items()})
        depth = pattern.count("/") + 1
        return [folder.joinpath(*name.split("/")[-depth:]) for name in sorted(found)]

    def size_of(self, path: LakePath) -> int:
        """Return the size of a lake file in bytes."""
        if isinstance(path, Path) or path.path not in self._sizes:
            return path.stat().st_size
        return self._sizes[path.path]

    @staticmethod
    def time_span(name: str) -> tuple[int, int]:
        """Return the first and last time of a telemetry file, in microseconds since 1970, as given by its name."""
        first, last = name.removesuffix(".parquet").split("-")[-2:]
        return int(first), int(last)

    def _sources_in_progress(self) -> set[str]:
        note = self.root / IN_PROGRESS
        return set(note.read_bytes().decode("ascii", "replace").split()) if note.exists() else set()

    def begin_ingest(self, sources: list[str]) -> None:
        """Mark sources as in progress before any of their files is written or deleted."""
        in_progress = self._sources_in_progress() | {s[:PREFIX] for s in sources}
        write_bytes_atomic("\n".join(sorted(in_progress)).encode("ascii"), self.root / IN_PROGRESS)

    def end_ingest(self, sources: list[str]) -> None:
        """Remove the in-progress mark of sources whose files are all recorded or deleted."""
        left = self._sources_in_progress() - {s[:PREFIX] for s in sources}
        if left:
            write_bytes_atomic("\n".join(sorted(left)).encode("ascii"), self.root / IN_PROGRESS)
        else:
            (self.root / IN_PROGRESS).unlink(missing_ok=True)

    def remove_orphans(self, recorded: set[str]) -> int:
        """Delete the files of unrecorded sources that an interrupted run left; return the number of files."""
        in_progress = self._sources_in_progress()
        if any(not SOURCE_PREFIX.fullmatch(line) for line in in_progress):
            # The marker file is damaged, so any unrecorded source may have been in progress.
            paths = self._listed(self.root / "telemetry", "*/*/*.parquet")
            in_progress |= {p.stem[:PREFIX] for p in paths if NAMED.fullmatch(p.name)}
        removed = sum(
            self.delete_source(p) for p in sorted(in_progress) if SOURCE_PREFIX.fullmatch(p) and p not in recorded
        )
        (self.root / IN_PROGRESS).unlink(missing_ok=True)
        return removed

    def is_marker_damaged(self) -> bool:
        """Return True if the file of sources in progress has a line that is not a source prefix."""
        return any(not SOURCE_PREFIX.fullmatch(line) for line in self._sources_in_progress())

    def delete_source(self, source: str) -> int:
        """Delete the telemetry of one source; return the number of files."""
        found = self._listed(self.root / "telemetry", f"*/*/*{source[:PREFIX]}-*.parquet*")
        for path in found:
            path.unlink()
        return len(found)

    def misnamed(self) -> dict[str, list[LakePath]]:
        """Return telemetry files named by an earlier version of taretrace, by the prefix of their source."""
        out: dict[str, list[LakePath]] = {}
        for path in self._listed(self.root / "telemetry", "*/*/*.parquet"):
            if not NAMED.fullmatch(path.name):
                out.setdefault(path.stem[:PREFIX], []).append(path)
        return out

    def machine_days(self, sources: set[str]) -> dict[tuple[str, str], list[LakePath]]:
        """Return the telemetry files of sources with the given prefixes, by (machine folder, day)."""
        out: dict[tuple[str, str], list[LakePath]] = {}
        for path in self._listed(self.root / "telemetry", "*/*/*.parquet"):
            if path.stem[:PREFIX] in sources:
                out.setdefault((path.parent.parent.name, path.parent.name), []).append(path)
        return out

    def bin_path(self, machine: str, day: str) -> LakePath:
        """Return the path of the bins of a machine-day."""
        return self.root / "bin" / machine / f"{day}.parquet"

    def rolled_path(self, machine: str, day: str) -> LakePath:
        """Return the path of the source lines of an expired machine-day's bins."""
        return self.root / "rolled" / machine / f"{day}.parquet"

    def bins_of_day(self, machine_id: str, day: dt.date) -> pl.DataFrame:
        """Return the bins of one machine-day; an empty frame if it has none."""
        path = self.bin_path(self.folder_name(machine_id), str(day))
        return read_frame(path) if path.exists() else pl.DataFrame(schema=NO_BINS)

    def binned(self) -> dict[tuple[str, str], LakePath]:
        """Return the paths of all bin files, by (machine folder, day)."""
        return {(p.parent.name, p.stem): p for p in self._listed(self.root / "bin", "*/*.parquet")}

    def read_bins(self, recorded: list[str] | None = None) -> pl.DataFrame:
        """Return all bins, or those of the recorded files, by machine and time; an empty frame if there are none."""
        paths = list(self.binned().values()) if recorded is None else [self.at(path) for path in recorded]
        if not paths:
            return pl.DataFrame(schema=NO_BINS)
        return pl.concat([read_frame(p) for p in paths], how="diagonal").sort("machine_id", "bin_at")
