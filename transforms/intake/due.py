"""Which files of the inbox are to be read: new content, and content whose mapping has changed since."""

import polars as pl

from transforms.intake.failed_read import sources_to_retry
from transforms.intake.inbox import Found, Inbox, Remembered
from transforms.intake.mapping import Mapping
from transforms.intake.receive import file_at, mapping_for
from transforms.lake import PREFIX, Lake
from transforms.warehouse import Warehouse


def remembered(warehouse: Warehouse) -> Remembered:
    """Return the inbox as it was last looked at."""
    return {file: (size, changed, sha) for file, size, changed, sha in warehouse.table("inbox_file").iter_rows()}


def remember(inbox: Inbox, before: Remembered, warehouse: Warehouse) -> None:
    """Note the inbox as it is now."""
    now = {f.file: (f.size, f.changed_ns, f.sha) for f in inbox.found}
    if now != before:
        rows = [(file, *stand) for file, stand in sorted(now.items())]
        schema = {"file": pl.String, "size_bytes": pl.Int64, "changed_ns": pl.Int64, "source_sha256": pl.String}
        with warehouse.transaction():
            warehouse.replace("inbox_file", pl.DataFrame(rows, schema=schema, orient="row"))


def _changed(inbox: Inbox, mappings: list[Mapping], taken: pl.DataFrame) -> set[str]:
    """Content that lies in the inbox and would now be read through another mapping than it was."""
    read_by = {
        (sha, file): print_
        for sha, file, print_ in taken.select("source_sha256", "file", "mapping_fingerprint").iter_rows()
    }
    out = set()
    for found in inbox.found:
        mapping = mapping_for(found.file, mappings)
        was = read_by.get((found.sha, found.file), "not taken")
        if mapping is not None and was not in {"not taken", mapping.fingerprint()}:
            out.add(found.sha)
    return out


def forget_changed(inbox: Inbox, mappings: list[Mapping], warehouse: Warehouse, lake: Lake) -> int:
    """Drop what came from files whose mapping changed, so that they are read anew; return how many files.

    Telemetry that only repeated another file's was never stored twice, so when telemetry is dropped every telemetry
    file that had repeats is read again with it.
    """
    taken = warehouse.table("source_file")
    forgotten = _changed(inbox, mappings, taken)
    if not forgotten:
        return 0
    here = {f.sha for f in inbox.found}
    telemetry = taken.filter((pl.col("kind") == "telemetry") & pl.col("source_sha256").is_in(sorted(here)))
    if not forgotten.isdisjoint(telemetry["source_sha256"].to_list()):
        forgotten |= set(telemetry.filter(pl.col("rows_repeated") > 0)["source_sha256"].to_list())
    lake.begin_taking(sorted(forgotten))
    with warehouse.transaction():
        for sha in sorted(forgotten):
            warehouse.forget_source(sha)
    lake.sweep({s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()})
    return len(forgotten)


def redate(inbox: Inbox, mappings: list[Mapping], warehouse: Warehouse) -> None:
    """Note where content lies in the inbox under an earlier date than it was taken with.

    Content counts as of the earliest: sending a file again makes none newer.
    """
    taken = warehouse.table("source_file").filter(pl.col("mapping").is_not_null())
    at = dict(taken.select("source_sha256", "file_at").iter_rows())
    for found in inbox.found:
        dated = file_at(found, mapping_for(found.file, mappings))
        if found.sha in at and dated < at[found.sha]:
            warehouse.date_file(found.sha, dated)


def due_files(inbox: Inbox, warehouse: Warehouse) -> list[Found]:
    """Return the files to read, in order of name: one of each content that was not taken yet, the earliest.

    A file whose reader failed is due again, once.
    """
    taken = set(warehouse.table("source_file")["source_sha256"].to_list()) - sources_to_retry(warehouse)
    new: dict[str, Found] = {}
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
