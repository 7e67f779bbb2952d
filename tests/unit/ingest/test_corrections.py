"""Corrections files: each rejected row once, with the sentences of all its reasons."""

import csv

import polars as pl

from reports.language.reason_text import format_reason
from transforms.contracts.reason import reason
from transforms.ingest.chunk import rejected_rows
from transforms.ingest.corrections import CorrectionTexts, write_rejected
from transforms.ingest.mapping_file import parse_mapping
from transforms.storage.warehouse import Warehouse

SOURCE = {
    "source_sha256": "a" * 64,
    "file": "f.csv",
    "kind": "field",
    "mapping": "fields",
    "mapping_fingerprint": "p",
    "header": "id,b",
    "rows_in": 2,
    "rows_accepted": 0,
    "rows_rejected": 2,
    "rows_repeated": 0,
}


def test_a_row_with_two_reasons_is_one_row_with_both_sentences(tmp_path, catalogue):
    table = {
        "kind": "field_boundary",
        "files": ["f.csv"],
        "columns": {"field_id": {"from": "id"}, "boundary": {"from": "b"}},
    }
    mapping = parse_mapping(table, "fields", catalogue, "test")
    empty, long = reason("column_empty", column="field_id"), reason("text_too_long", column="boundary", max_bytes=1000)
    rows = pl.concat(
        [rejected_rows([2, 3], None, [",x", ",y"], "empty", empty), rejected_rows([3], "b", [",y"], "too_long", long)]
    )
    with Warehouse.in_memory() as warehouse:
        times = {"file_at": pl.date(2025, 10, 1), "received_at": pl.date(2025, 10, 1)}
        source = pl.DataFrame([SOURCE]).with_columns(
            t.cast(pl.Datetime("us", "UTC")).alias(name) for name, t in times.items()
        )
        warehouse.append("source_file", source)
        own = {c: pl.lit(SOURCE[c]) for c in ("source_sha256", "file", "mapping")}
        warehouse.append("rejected_row", rows.with_columns(**own))
        found = warehouse.query("mendable", file="%")
    (path,), left = write_rejected(found, {"fields": mapping}, tmp_path, CorrectionTexts("why", format_reason))
    written = list(csv.reader(path.read_text("utf-8").splitlines()))
    assert left == 0
    assert written == [
        ["id", "b", "why"],
        ["", "x", "field is empty"],
        ["", "y", "field is empty; outline is longer than 1,000 bytes"],
    ]
