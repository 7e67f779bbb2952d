"""Selection of files to read: new content, and content whose mapping has changed."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import polars as pl

from transforms.contracts.reason import reason
from transforms.ingest.failed_read import sources_to_retry
from transforms.ingest.file_record import file_at
from transforms.ingest.inbox import Inbox, InboxFile, KnownFiles
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_match import matched_fingerprint, matching_mappings
from transforms.storage.lake import PREFIX, Lake
from transforms.storage.warehouse import Warehouse


def known_files(warehouse: Warehouse) -> KnownFiles:
    """Return the inbox contents recorded by the last scan."""
    return {file: (size, changed, sha) for file, size, changed, sha in warehouse.table("inbox_file").iter_rows()}


def record_inbox(inbox: Inbox, before: KnownFiles, warehouse: Warehouse) -> None:
    """Record the present contents of the inbox, if they differ from `before`."""
    now = {f.file: (f.size, f.changed_ns, f.sha) for f in inbox.found}
    if now != before:
        rows = [(file, *state) for file, state in sorted(now.items())]
        schema = {"file": pl.String, "size_bytes": pl.Int64, "changed_ns": pl.Int64, "source_sha256": pl.String}
        with warehouse.transaction():
            warehouse.replace("inbox_file", pl.DataFrame(rows, schema=schema, orient="row"))


@dataclass(frozen=True)
class Changed:
    """Files whose mapping has changed since they were read.

    Attributes:
        again: sha-256 of contents that can be read again.
        stuck: (sha-256, file) of contents that are neither in the inbox nor copied; their rows are not changed.
    """

    again: set[str]
    stuck: list[tuple[str, str]]


def changed_files(mappings: list[Mapping], taken: pl.DataFrame, readable: set[str]) -> Changed:
    """Return the files that would now be read through different mappings.

    A file that no mapping matches any more keeps its rows, and so does one whose mapping of some kind is missing:
    `repair` restores the mapping.

    Args:
        mappings: the present mappings.
        taken: the ingested sources, table `source_file`.
        readable: sha-256 of contents that are in the inbox or copied.
    """
    names = {m.name for m in mappings}
    again, stuck = set[str](), list[tuple[str, str]]()
    rows = taken.select("source_sha256", "file", "matched_fingerprint", "mapping", "kind", "rows_in", "rows_rejected")
    for (sha,), own in rows.group_by("source_sha256", maintain_order=True):
        file, read_by = str(own["file"][0]), own["matched_fingerprint"][0]
        matches = matching_mappings(file, mappings)
        if not matches or matched_fingerprint(file, matches) == read_by or _has_lost_mapping(own, matches, names):
            continue
        if sha in readable:
            again.add(str(sha))
        elif read_by is not None:
            stuck.append((str(sha), file))
    return Changed(again, stuck)


def _has_lost_mapping(rows: pl.DataFrame, matches: tuple[Mapping, ...], names: set[str]) -> bool:
    """Return True if stored rows of a file are of a missing mapping, and no other one of their kind matches it."""
    kinds = {m.kind for m in matches}
    return any(
        name is not None and name not in names and kind not in kinds and stored
        for name, kind, stored in rows.select(
            "mapping", "kind", pl.col("rows_in") > pl.col("rows_rejected")
        ).iter_rows()
    )


def delete_remapped(
    inbox: Inbox, mappings: list[Mapping], warehouse: Warehouse, lake: Lake, copied: set[str]
) -> Changed:
    """Delete the rows of files whose mapping changed, so that they are read again; return these files.

    Args:
        inbox: the present contents of the inbox.
        mappings: the present mappings.
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace.
        copied: sha-256 of contents with a copy.
    """
    readable = {f.sha for f in inbox.found} | copied
    changed = changed_files(mappings, warehouse.table("source_file"), readable)
    _note_stuck(changed.stuck, warehouse)
    return replace(changed, again=delete_sources(changed.again, readable, warehouse, lake))


def delete_sources(sources: set[str], readable: set[str], warehouse: Warehouse, lake: Lake) -> set[str]:
    """Delete the rows of sources, so that they are read again; return the deleted sources.

    Repeated telemetry rows are stored only once. If telemetry is deleted, every telemetry file with repeated rows is
    therefore deleted and read again too.

    Args:
        sources: sha-256 of the sources to delete.
        readable: sha-256 of contents that are in the inbox or copied.
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace.
    """
    if not sources:
        return set()
    forgotten, taken = set(sources), warehouse.table("source_file")
    telemetry = taken.filter((pl.col("kind") == "telemetry") & pl.col("source_sha256").is_in(sorted(readable)))
    if not forgotten.isdisjoint(telemetry["source_sha256"].to_list()):
        forgotten |= set(telemetry.filter(pl.col("rows_repeated") > 0)["source_sha256"].to_list())
    lake.begin_ingest(sorted(forgotten))
    with warehouse.transaction():
        for sha in sorted(forgotten):
            warehouse.delete_source(sha)
    lake.remove_orphans({s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()})
    return forgotten


STUCK = reason("mapping_changed_without_copy")
"""Finding about a file that cannot be read again through its changed mapping."""


def _note_stuck(stuck: list[tuple[str, str]], warehouse: Warehouse) -> None:
    findings = warehouse.table("source_finding").filter(reason_code=STUCK.code)
    noted = set(findings["source_sha256"].to_list())
    rows = [{"source_sha256": sha, "file": file, **STUCK.columns} for sha, file in stuck if sha not in noted]
    if rows:
        with warehouse.transaction():
            warehouse.append("source_finding", pl.DataFrame(rows))


def record_earlier_dates(founds: Iterable[InboxFile], mappings: list[Mapping], warehouse: Warehouse) -> None:
    """Record the earliest date of content that was also received under an earlier date than it was ingested with.

    Content is dated by its earliest delivery, so sending a file again does not make its rows newer.

    Args:
        founds: deliveries of content, from the inbox or the records of copies.
        mappings: the present mappings.
        warehouse: the warehouse of the workspace.
    """
    taken = warehouse.table("source_file").filter(pl.col("mapping").is_not_null())
    at = dict(taken.select("source_sha256", "file_at").iter_rows())
    for found in founds:
        dated = file_at(found, matching_mappings(found.file, mappings))
        if found.sha in at and dated < at[found.sha]:
            warehouse.date_file(found.sha, dated)


def pending_files(inbox: Inbox, warehouse: Warehouse) -> list[InboxFile]:
    """Return the files to read, in order of name: the earliest file of each content that is not ingested yet.

    A file whose reader failed is retried once.
    """
    taken = set(warehouse.table("source_file")["source_sha256"].to_list()) - sources_to_retry(warehouse)
    new: dict[str, InboxFile] = {}
    for found in inbox.found:
        if found.sha not in taken:
            earlier = new.get(found.sha)
            new[found.sha] = found if earlier is None or found.changed_ns < earlier.changed_ns else earlier
    return sorted(new.values(), key=lambda f: f.file)


def forget_misnamed(warehouse: Warehouse, lake: Lake) -> int:
    """Delete telemetry files with names of an earlier version, so that their sources are read again.

    Only an upgraded workspace can contain such files.

    Returns:
        The number of sources to read again.
    """
    if not warehouse.table("upgrade").height:
        return 0
    misnamed = lake.misnamed()
    with warehouse.transaction():
        for sha in warehouse.table("source_file")["source_sha256"].to_list():
            if sha[:PREFIX] in misnamed:
                warehouse.delete_source(sha)
    for paths in misnamed.values():
        for path in paths:
            path.unlink()
    return len(misnamed)
