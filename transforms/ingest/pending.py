"""Which files of the inbox are to be read: new content, and content whose mapping has changed since."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import polars as pl

from transforms.ingest.failed_read import sources_to_retry
from transforms.ingest.inbox import Inbox, InboxFile, KnownFiles
from transforms.ingest.ingest_file import file_at, find_mapping
from transforms.ingest.mapping import Mapping
from transforms.storage.lake import PREFIX, Lake
from transforms.storage.warehouse import Warehouse


def known_files(warehouse: Warehouse) -> KnownFiles:
    """Return the inbox as it was last looked at."""
    return {file: (size, changed, sha) for file, size, changed, sha in warehouse.table("inbox_file").iter_rows()}


def record_inbox(inbox: Inbox, before: KnownFiles, warehouse: Warehouse) -> None:
    """Note the inbox as it is now."""
    now = {f.file: (f.size, f.changed_ns, f.sha) for f in inbox.found}
    if now != before:
        rows = [(file, *stand) for file, stand in sorted(now.items())]
        schema = {"file": pl.String, "size_bytes": pl.Int64, "changed_ns": pl.Int64, "source_sha256": pl.String}
        with warehouse.transaction():
            warehouse.replace("inbox_file", pl.DataFrame(rows, schema=schema, orient="row"))


@dataclass(frozen=True)
class Changed:
    """Files whose mapping is not the one they were read through.

    Attributes:
        again: contents that can be read again, by sha-256.
        stuck: (sha-256, file) of contents that are neither in the inbox nor copied: their rows stay as they were read.
    """

    again: set[str]
    stuck: list[tuple[str, str]]


def changed_files(mappings: list[Mapping], taken: pl.DataFrame, readable: set[str]) -> Changed:
    """Return the files that would now be read through another mapping than they were.

    A file that no mapping names any more stays as it was read.

    Args:
        mappings: the present ones.
        taken: the sources taken in.
        readable: contents that are in the inbox or copied.
    """
    prints = {m.name: m.fingerprint() for m in mappings}
    again, stuck = set[str](), list[tuple[str, str]]()
    for sha, file, read_by in taken.select("source_sha256", "file", "mapping_fingerprint").iter_rows():
        mapping = find_mapping(file, mappings)
        if mapping is None or prints[mapping.name] == read_by:
            continue
        if sha in readable:
            again.add(sha)
        elif read_by is not None:
            stuck.append((sha, file))
    return Changed(again, stuck)


def drop_remapped(inbox: Inbox, mappings: list[Mapping], warehouse: Warehouse, lake: Lake, copied: set[str]) -> Changed:
    """Drop what came from files whose mapping changed, so that they are read again; return these files.

    Args:
        inbox: what is in the inbox.
        mappings: the present ones.
        warehouse: the workspace's.
        lake: the workspace's.
        copied: contents with a copy.
    """
    readable = {f.sha for f in inbox.found} | copied
    changed = changed_files(mappings, warehouse.table("source_file"), readable)
    _note_stuck(changed.stuck, warehouse)
    return replace(changed, again=forget(changed.again, readable, warehouse, lake))


def forget(sources: set[str], readable: set[str], warehouse: Warehouse, lake: Lake) -> set[str]:
    """Drop what came from sources, so that they are read again; return the sources dropped.

    Telemetry that only repeated another file's was never stored twice, so when telemetry is dropped every telemetry
    file that had repeats is read again with it.
    """
    if not sources:
        return set()
    forgotten, taken = set(sources), warehouse.table("source_file")
    telemetry = taken.filter((pl.col("kind") == "telemetry") & pl.col("source_sha256").is_in(sorted(readable)))
    if not forgotten.isdisjoint(telemetry["source_sha256"].to_list()):
        forgotten |= set(telemetry.filter(pl.col("rows_repeated") > 0)["source_sha256"].to_list())
    lake.begin_taking(sorted(forgotten))
    with warehouse.transaction():
        for sha in sorted(forgotten):
            warehouse.forget_source(sha)
    lake.sweep({s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()})
    return forgotten


STUCK = "its mapping changed after the file left the inbox, and there is no copy: its rows are of the earlier mapping"


def _note_stuck(stuck: list[tuple[str, str]], warehouse: Warehouse) -> None:
    noted = set(warehouse.table("source_finding").filter(pl.col("says") == STUCK)["source_sha256"].to_list())
    rows = [(sha, file, STUCK) for sha, file in stuck if sha not in noted]
    if rows:
        with warehouse.transaction():
            warehouse.append(
                "source_finding", pl.DataFrame(rows, schema=["source_sha256", "file", "says"], orient="row")
            )


def record_earlier_dates(founds: Iterable[InboxFile], mappings: list[Mapping], warehouse: Warehouse) -> None:
    """Note where content came under an earlier date than it was taken with, in the inbox or as its copy records.

    Content counts as of the earliest: sending a file again makes none newer.
    """
    taken = warehouse.table("source_file").filter(pl.col("mapping").is_not_null())
    at = dict(taken.select("source_sha256", "file_at").iter_rows())
    for found in founds:
        dated = file_at(found, find_mapping(found.file, mappings))
        if found.sha in at and dated < at[found.sha]:
            warehouse.date_file(found.sha, dated)


def pending_files(inbox: Inbox, warehouse: Warehouse) -> list[InboxFile]:
    """Return the files to read, in order of name: one of each content that was not taken yet, the earliest.

    A file whose reader failed is due again, once.
    """
    taken = set(warehouse.table("source_file")["source_sha256"].to_list()) - sources_to_retry(warehouse)
    new: dict[str, InboxFile] = {}
    for found in inbox.found:
        if found.sha not in taken:
            earlier = new.get(found.sha)
            new[found.sha] = found if earlier is None or found.changed_ns < earlier.changed_ns else earlier
    return sorted(new.values(), key=lambda f: f.file)


def forget_misnamed(warehouse: Warehouse, lake: Lake) -> int:
    """Drop telemetry that an earlier taretrace named otherwise, so that its files are read anew; return how many.

    Only a workspace that was brought up to date can hold any.
    """
    if not warehouse.table("upgrade").height:
        return 0
    misnamed = lake.misnamed()
    with warehouse.transaction():
        for sha in warehouse.table("source_file")["source_sha256"].to_list():
            if sha[:PREFIX] in misnamed:
                warehouse.forget_source(sha)
    for paths in misnamed.values():
        for path in paths:
            path.unlink()
    return len(misnamed)
