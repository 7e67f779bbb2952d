"""Record of the lake's files in the warehouse, and comparison of the two."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from hashlib import sha256

import polars as pl

from transforms.errors import DamagedError
from transforms.storage.lake import NAMED, PREFIX, Lake
from transforms.storage.lake_file import LakeFile
from transforms.storage.warehouse import Warehouse

COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "path": pl.String,
    "kind": pl.String,
    "source_sha256": pl.String,
    "machine": pl.String,
    "day": pl.String,
    "size_bytes": pl.Int64,
    "sha256": pl.String,
}


@dataclass(frozen=True)
class LakeDifference:
    """Differences between the recorded files and those present.

    Attributes:
        missing: recorded files that do not exist.
        altered: recorded files with a different size or checksum.
        unknown: paths of files without a record.
    """

    missing: list[LakeFile] = field(default_factory=list)
    altered: list[LakeFile] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    @property
    def damaged(self) -> list[LakeFile]:
        """Return the recorded files that are missing or altered, ordered by path."""
        return sorted([*self.missing, *self.altered], key=lambda f: f.path)


def rows_of(files: list[LakeFile]) -> pl.DataFrame:
    """Return files as rows of `lake_file`."""
    return pl.DataFrame([asdict(f) for f in files], schema=COLUMNS)


def record_files(warehouse: Warehouse, files: list[LakeFile]) -> None:
    """Record files, replacing earlier records of their paths; call it inside a transaction."""
    if files:
        rows = rows_of(files)
        warehouse.delete_matching("lake_file", rows.select("path"))
        warehouse.append("lake_file", rows)


def recorded_files(warehouse: Warehouse, kind: str | None = None) -> list[LakeFile]:
    """Return the recorded files of every kind or of one, ordered by path."""
    rows = warehouse.table("lake_file").sort("path")
    chosen = rows if kind is None else rows.filter(pl.col("kind") == kind)
    return [LakeFile(**row) for row in chosen.iter_rows(named=True)]


def telemetry_days(warehouse: Warehouse) -> dict[tuple[str, str], list[LakeFile]]:
    """Return the recorded telemetry by (machine folder, day)."""
    out: dict[tuple[str, str], list[LakeFile]] = {}
    for file in recorded_files(warehouse, "telemetry"):
        out.setdefault(file.key, []).append(file)
    return out


def content_of(lake: Lake, file: LakeFile) -> LakeFile:
    """Return the record of a file with its current size and checksum."""
    body = lake.at(file.path).read_bytes()
    return LakeFile(file.path, file.kind, file.source_sha256, *file.key, len(body), sha256(body).hexdigest())


def record_unrecorded_telemetry(warehouse: Warehouse, lake: Lake) -> int:
    """Record the telemetry of a workspace that predates the record of files; return the number of files.

    Only sources without any recorded file are considered, because all files of a source are recorded together.
    """
    sources = warehouse.query("unrecorded_telemetry")["source_sha256"].to_list()
    if not sources:
        return 0
    by_prefix = {s[:PREFIX]: s for s in sources}
    rolled = set(warehouse.table("rolled_day").select("machine", "day").iter_rows())
    found = []
    for key, paths in lake.machine_days(set(by_prefix)).items():
        for path in paths if key not in rolled else []:
            if NAMED.fullmatch(path.name):
                inside = "/".join(["telemetry", *key, path.name])
                found.append(
                    content_of(lake, LakeFile(inside, "telemetry", by_prefix[path.stem[:PREFIX]], *key, 0, ""))
                )
    with warehouse.transaction():
        record_files(warehouse, found)
    return len(found)


def compare_lake(
    warehouse: Warehouse, lake: Lake, *, checksums: bool = False, advance: Callable[[], None] = lambda: None
) -> LakeDifference:
    """Compare the recorded files with the existing ones.

    Args:
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace.
        checksums: compare checksums too; otherwise only sizes.
        advance: called for each recorded file.
    """
    present = lake.listing()
    out = LakeDifference()
    for file in recorded_files(warehouse):
        size = present.pop(file.path, None)
        if size is None:
            out.missing.append(file)
        elif size != file.size_bytes or (checksums and content_of(lake, file).sha256 != file.sha256):
            out.altered.append(file)
        advance()
    out.unknown.extend(sorted(present))
    return out


def irreplaceable(warehouse: Warehouse, difference: LakeDifference) -> list[LakeFile]:
    """Return the damaged files that binning cannot recreate: telemetry, and every file of an expired machine-day."""
    days = {f.key for f in recorded_files(warehouse, "telemetry")}
    rolled = set(warehouse.table("rolled_day").select("machine", "day").iter_rows())
    return [f for f in difference.damaged if f.kind != "bin" or (f.key in rolled and f.key not in days)]


def require_lake(warehouse: Warehouse, lake: Lake, *, bins: bool = True) -> set[tuple[str, str]]:
    """Compare sizes before a stage reads the lake; return the machine-days whose bins must be recreated.

    Args:
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace.
        bins: require every bin file, because the stage reads bins; otherwise binning recreates missing ones.

    Raises:
        DamagedError: files that the stage needs are missing or damaged.
    """
    difference = compare_lake(warehouse, lake)
    lost = difference.damaged if bins else irreplaceable(warehouse, difference)
    if lost and not lake.is_there():
        raise DamagedError(
            "the lake is missing or empty, but the warehouse has a record of its files ({files})",
            where=str(lake.root),
            remedy="mount its disk, or run 'taretrace repair' on the workspace",
            files=len(lost),
        )
    if lost:
        raise DamagedError(
            "recorded files of the lake are missing or damaged ({files}, such as {file})",
            where=str(lake.root),
            remedy="run 'taretrace repair' on the workspace",
            files=len(lost),
            file=lost[0].path,
        )
    return {f.key for f in difference.damaged}
