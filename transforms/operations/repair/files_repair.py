"""Repair of a workspace's small files: mappings, copies of received files and logs."""

import datetime as dt
from pathlib import Path

import polars as pl

from transforms.config.workspace import Workspace
from transforms.errors import WorkspaceError
from transforms.ingest.inbox import content_hash
from transforms.ingest.kept_copies import MAPPINGS, UNPACKED, mapping_copy
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mapping
from transforms.ingest.mapping_match import matching_mappings
from transforms.ingest.received_copies import Copy, Form, ReceivedCopies
from transforms.operations.repair.outcome import Outcome, stamp
from transforms.storage.atomic_file import write_bytes
from transforms.storage.run_log import RunLog

FORMS: tuple[Form, ...] = ("zst", "raw", "tar.zst")


def find_files_without_mapping(taken: pl.DataFrame, mappings: list[Mapping]) -> dict[tuple[str, str], list[str]]:
    """Return the files that were read with a mapping that is now missing, by (mapping, fingerprint).

    Args:
        taken: `file, kind, mapping, mapping_fingerprint` of the ingested files.
        mappings: the present mappings.
    """
    out: dict[tuple[str, str], list[str]] = {}
    names = {m.name for m in mappings}
    for file, kind, name, fingerprint in taken.select("file", "kind", "mapping", "mapping_fingerprint").iter_rows():
        kinds = {m.kind for m in matching_mappings(file, mappings)}
        if name is not None and (not kinds or (name not in names and kind not in kinds)):
            out.setdefault((name, fingerprint), []).append(file)
    return out


def restore_mappings(
    workspace: Workspace, taken: pl.DataFrame, mappings: list[Mapping], copies: ReceivedCopies, outcome: Outcome
) -> None:
    """Restore missing mapping files in the version that files were last read with.

    Args:
        workspace: the workspace; receives the mapping files.
        taken: `file, kind, mapping, mapping_fingerprint` of the ingested files.
        mappings: the present mappings.
        copies: the copies of received files and mappings.
        outcome: receives the step.
    """
    back = []
    for name, fingerprint in find_files_without_mapping(taken, mappings):
        copy, target = mapping_copy(copies, name, fingerprint), workspace.mappings / f"{name}.toml"
        if copy.is_file() and not target.exists():
            write_bytes(copy.read_bytes(), target)
            back.append(target.name)
    outcome.add("mapping.put_back", back)


def put_back_needed(
    workspace: Workspace, files: list[str], mappings: list[Mapping], copies: ReceivedCopies, outcome: Outcome
) -> None:
    """Restore the newest mapping copies for files without a mapping of that kind, if the warehouse is unreadable.

    Args:
        workspace: the workspace; receives the mapping files.
        files: names of the received files.
        mappings: the present mappings.
        copies: the copies of received files and mappings; unreadable mapping copies are skipped.
        outcome: receives the step.
    """
    back, present = [], list(mappings)
    found = (copies.folder / MAPPINGS).glob("*.toml")
    for copy in sorted(found, key=lambda p: p.stat().st_mtime_ns, reverse=True):
        target = workspace.mappings / f"{copy.name.rsplit('~', 1)[0]}.toml"
        try:
            mapping = read_mapping(copy, workspace.season.catalogue, workspace.mappings)
        except WorkspaceError:
            continue
        own = [f for f in files if matching_mappings(f, [mapping])]
        unread = [f for f in own if all(m.kind != mapping.kind for m in matching_mappings(f, present))]
        if not target.exists() and unread:
            write_bytes(copy.read_bytes(), target)
            present.append(mapping)
            back.append(target.name)
    outcome.add("mapping.put_back", back)


def repair_copies(workspace: Workspace, copies: ReceivedCopies, taken: pl.DataFrame, outcome: Outcome) -> None:
    """Delete damaged copies, and rewrite damaged copy records; the next run copies the files from the inbox again.

    Args:
        workspace: the workspace; copies are unpacked in a temporary folder of it.
        copies: the copies of received files.
        taken: rows of `source_file`; they give the names and times for the records.
        outcome: receives the steps.
    """
    dropped, described = [], []
    for copy in copies.index().values():
        if copy.form and not copies.is_whole(copy):
            copies.drop(copy)
            dropped.append(copy.file)
    rows = {r["source_sha256"]: r for r in taken.iter_rows(named=True)}
    for path in copies.damaged_records():
        path.unlink()
        described.append(path.name)
        if path.stem in rows:
            _describe(path.stem, rows[path.stem], copies, workspace.root / UNPACKED)
    outcome.add("copy.dropped", dropped)
    outcome.add("copy.described_again", described)


def _describe(sha: str, row: dict[str, object], copies: ReceivedCopies, folder: Path) -> None:
    """Rewrite the record of a copy if its content matches the checksum in its name."""
    file_at, received_at = row["file_at"], row["received_at"]
    assert isinstance(file_at, dt.datetime)  # noqa: S101
    assert isinstance(received_at, dt.datetime)  # noqa: S101
    name = (str(row["file"]), int(file_at.timestamp() * 1_000_000) * 1000)
    for form in FORMS:
        copy = Copy(sha, (name,), 0, received_at.isoformat(), form)
        path = copies.path_of(copy)
        if path.is_file():
            stored = Copy(sha, (name,), 0, received_at.isoformat(), form, path.stat().st_size, content_hash(path))
            with copies.unpacked([stored], folder) as founds:
                if founds:
                    copies.note(copies.sized(stored, founds[0]))


def repair_logs(workspace: Workspace, now: dt.datetime, outcome: Outcome) -> None:
    """Move damaged logs aside and keep their readable lines.

    Args:
        workspace: the workspace.
        now: the current time, UTC; part of the names of logs moved aside.
        outcome: receives the step.
    """
    log = RunLog(workspace.log)
    damaged = log.damaged()
    for path in damaged:
        lines = log.readable_lines(path)
        path.rename(path.with_name(f"{path.name}.damaged-{stamp(now)}"))
        write_bytes("".join(f"{line}\n" for line in lines).encode(), path)
    outcome.add("log.cleaned", [p.name for p in damaged])
