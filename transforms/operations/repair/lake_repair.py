"""Repair of damaged lake files: reread telemetry from its sources, and recreate bins."""

import datetime as dt
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path

import polars as pl

from transforms.ingest.ingest_file import IngestTarget, ingest_in_transaction
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.kept_copies import UNPACKED
from transforms.ingest.mapping_match import matched_fingerprint, matching_mappings
from transforms.ingest.pending import delete_sources
from transforms.jobs.machine_days import DayJob, bin_day, find_expired_days
from transforms.operations.repair.outcome import Outcome, stamp
from transforms.operations.repair.sources import Sources
from transforms.operations.retention import lines_of
from transforms.storage.lake import PREFIX, Lake, write_bytes_atomic
from transforms.storage.lake_file import LakeFile
from transforms.storage.lake_record import compare_lake, record_files, recorded_files, telemetry_days
from transforms.storage.warehouse import Warehouse
from transforms.telemetry.sensor_activity import other_days
from transforms.telemetry.sensor_faults import OtherDays

SCRATCH = f"{UNPACKED}-lake"
"""Temporary folder of the workspace for telemetry that is read again."""
BY_DAY = {"machine": pl.String, "day": pl.String}
OF_BINS = ("unload_event", "sensor_fault", "sensor_activity", "set_point_day", "field_day", "binned_day", "machine_day")
"""Tables computed from the bins of a machine-day."""


@dataclass(frozen=True)
class _RereadFiles:
    """Result of reading damaged telemetry again.

    Attributes:
        restored: files read again and put in place.
        pending: files whose whole source the next run must read again.
        lost: files without a readable source.
    """

    restored: list[LakeFile] = field(default_factory=list)
    pending: list[LakeFile] = field(default_factory=list)
    lost: list[LakeFile] = field(default_factory=list)


@dataclass(frozen=True)
class LakeRepair:
    """Repair of a lake whose warehouse is undamaged.

    Attributes:
        warehouse: the warehouse of the workspace.
        lake: the lake to repair.
        sources: the received files that can be read again.
        now: the current time, UTC.
    """

    warehouse: Warehouse
    lake: Lake
    sources: Sources
    now: dt.datetime

    def run(self, outcome: Outcome, advance: Callable[[], None], *, accept_loss: bool) -> None:
        """Repair every damaged file that has a source.

        Args:
            outcome: receives the steps done, and the data lost.
            advance: called for each file checked.
            accept_loss: remove the records of files without a source, instead of reporting these as lost.
        """
        difference = compare_lake(self.warehouse, self.lake, checksums=True, advance=advance)
        renamed = self._rename_back(difference.missing, difference.unknown)
        outcome.add("telemetry.renamed", [f.path for f in renamed])
        damaged = [f for f in difference.damaged if f not in renamed]
        telemetry = [f for f in damaged if f.kind == "telemetry"]
        reread = self._read_again(telemetry)
        outcome.add("telemetry.read_again", [f.path for f in reread.restored])
        if reread.pending:
            delete_sources(
                {str(f.source_sha256) for f in reread.pending}, self.sources.readable, self.warehouse, self.lake
            )
            outcome.add("telemetry.source_read_again", [f.path for f in reread.pending])
        rolled = find_expired_days(self.warehouse) - set(telemetry_days(self.warehouse))
        expired = [f for f in damaged if f.kind == "rolled" or (f.kind == "bin" and f.key in rolled)]
        remade, unavailable = self._remake_expired(expired)
        outcome.add("expired_day.made_again", [f.path for f in remade])
        bins = [f for f in damaged if f.kind == "bin" and f.key not in rolled]
        self._forget_bins(bins)
        outcome.add("bins.made_again", [f.path for f in bins])
        lost = [*reread.lost, *unavailable]
        if accept_loss:
            self._remove_records(lost)
            outcome.add("lake.given_up", [f.path for f in lost])
        else:
            outcome.lose("lake.no_source", [f.path for f in lost])

    def _rename_back(self, missing: list[LakeFile], unknown: list[str]) -> list[LakeFile]:
        """Rename unrecorded files whose content is that of a missing file."""
        sizes = self.lake.listing() if missing and unknown else {}
        out = []
        for file in missing:
            for path in [u for u in unknown if sizes.get(u) == file.size_bytes]:
                body = self.lake.at(path).read_bytes()
                if sha256(body).hexdigest() == file.sha256:
                    self._write(file, body)
                    self.lake.at(path).unlink()
                    unknown.remove(path)
                    out.append(file)
                    break
        return out

    def _write(self, file: LakeFile, body: bytes) -> None:
        """Write a file to its path; move a folder that occupies the path aside."""
        path = self.lake.at(file.path)
        if isinstance(path, Path) and path.is_dir():
            aside = Path(str(self.lake.root)) / f"aside-{stamp(self.now)}" / file.path
            aside.parent.mkdir(parents=True, exist_ok=True)
            path.rename(aside)
        write_bytes_atomic(body, path)

    def _read_again(self, damaged: list[LakeFile]) -> _RereadFiles:
        """Read damaged telemetry files again, each from its source."""
        by_source: dict[str, list[LakeFile]] = {}
        for file in damaged:
            by_source.setdefault(str(file.source_sha256), []).append(file)
        out, earlier = _RereadFiles(), set[str]()
        taken = self.warehouse.table("source_file").sort("received_at", "source_sha256")
        read = taken.select("source_sha256", "file", "matched_fingerprint").unique(maintain_order=True)
        for sha, file, fingerprint in read.iter_rows():
            wanted = by_source.get(sha, [])
            matches = matching_mappings(file, self.sources.mappings) if wanted else ()
            if wanted and sha not in self.sources.readable:
                out.lost.extend(wanted)
            elif wanted and (not matches or matched_fingerprint(file, matches) != fingerprint):
                out.pending.extend(wanted)
            elif wanted:
                restored = self._read_source(sha, wanted, earlier)
                out.restored.extend(restored)
                out.pending.extend(f for f in wanted if f not in restored)
            earlier.add(sha[:PREFIX])
        return out

    def _scratch(self) -> Lake:
        folder = self.sources.workspace.root / SCRATCH
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(mode=0o700)
        return Lake(folder)

    def _read_source(self, sha: str, wanted: list[LakeFile], earlier: set[str]) -> list[LakeFile]:
        """Read one source as in its first ingest, and replace its damaged files; return the replaced files."""
        scratch, done = self._scratch(), list[LakeFile]()
        with self.sources.opened(sha) as found, Warehouse.in_memory() as memory:
            if found is None:
                return []
            store = IngestTarget(
                self.warehouse, self.lake, into=memory, onto=scratch, recorded=set(earlier), rolled=set()
            )
            matches = matching_mappings(found.file, self.sources.mappings)
            ingest_in_transaction(found, matches, self.sources.catalogue, store, IsolatedRead())
            made = {(*f.key, *Lake.time_span(f.stem)): f for f in recorded_files(memory, "telemetry")}
            for file in wanted:
                same = made.get((*file.key, *Lake.time_span(file.stem)))
                if same is not None:
                    self._place(file, scratch, same)
                    done.append(file)
        shutil.rmtree(Path(str(scratch.root)))
        return done

    def _place(self, file: LakeFile, scratch: Lake, made: LakeFile) -> None:
        self._write(file, scratch.at(made.path).read_bytes())
        if made.sha256 != file.sha256:
            with self.warehouse.transaction():
                record_files(self.warehouse, [replace(file, size_bytes=made.size_bytes, sha256=made.sha256)])

    def _remake_expired(self, damaged: list[LakeFile]) -> tuple[list[LakeFile], list[LakeFile]]:
        """Recreate files of expired machine-days from their sources; return (recreated, lost)."""
        if not damaged:
            return [], []
        days = [dt.datetime.fromisoformat(f"{f.day}T00:00:00+00:00") for f in damaged]
        first, last = min(days), max(days) + dt.timedelta(days=1)
        reach = (pl.col("from_at") < last) & (pl.col("to_at") >= first)
        taken = self.warehouse.table("source_file").filter((pl.col("kind") == "telemetry") & reach)
        shas = taken.sort("received_at", "source_sha256")["source_sha256"].unique(maintain_order=True).to_list()
        if any(sha not in self.sources.readable for sha in shas):
            return [], damaged
        scratch, done = self._scratch(), list[LakeFile]()
        with Warehouse.in_memory() as memory:
            store = IngestTarget(memory, scratch, recorded=set(), rolled=set())
            for sha in shas:
                with self.sources.opened(sha) as found:
                    if found is not None:
                        matches = matching_mappings(found.file, self.sources.mappings)
                        ingest_in_transaction(found, matches, self.sources.catalogue, store, IsolatedRead())
                        store.recorded.add(sha[:PREFIX])
            files = telemetry_days(memory)
        for file in damaged:
            if file.key in files:
                self._place(file, scratch, self._recreate_day(file, files[file.key], scratch))
                done.append(file)
        shutil.rmtree(Path(str(scratch.root)))
        return done, [f for f in damaged if f not in done]

    def _recreate_day(self, file: LakeFile, telemetry: list[LakeFile], scratch: Lake) -> LakeFile:
        if file.kind == "rolled":
            return scratch.put_day(lines_of(telemetry, scratch), "rolled", file.key)
        setups, fields = self.warehouse.table("machine_setup"), self.warehouse.table("field")
        others = other_days(self.warehouse.table("sensor_activity")).get(file.key, OtherDays())
        job = DayJob(file.key, telemetry, setups, fields, self.sources.catalogue, scratch, others)
        return bin_day(job).file

    def _forget_bins(self, bins: list[LakeFile]) -> None:
        """Delete records of damaged bins, so that the next run bins these days and retraces the affected fields."""
        if not bins:
            return
        keys = pl.DataFrame([f.key for f in bins], schema=BY_DAY, orient="row")
        fields = self.warehouse.matching("field_day", keys).select("field_id").unique()
        with self.warehouse.transaction():
            self.warehouse.delete_matching("traced_field", fields)
            for name in OF_BINS:
                self.warehouse.delete_matching(name, keys)
            self.warehouse.delete_matching("lake_file", pl.DataFrame({"path": [f.path for f in bins]}))

    def _remove_records(self, files: list[LakeFile]) -> None:
        """Delete the records of files that cannot be recreated, and the rows computed from their bins."""
        bins = pl.DataFrame([f.key for f in files if f.kind == "bin"], schema=BY_DAY, orient="row")
        with self.warehouse.transaction():
            self.warehouse.delete_matching("lake_file", pl.DataFrame({"path": [f.path for f in files]}))
            for name in OF_BINS:
                self.warehouse.delete_matching(name, bins)
