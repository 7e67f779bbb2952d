"""Corrections files: each rejected row once, with the sentences of all its reasons."""

import csv

import polars as pl

from reports.language.reason_text import format_reason
from transforms.contracts.reason import reason
from transforms.ingest.chunk import rejected_rows
from transforms.ingest.corrections import CorrectionTexts, write_rejected
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.preview import first_rows
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
        found = warehouse.query("correctable_row", file="%")
    (path,), left = write_rejected(found, {"fields": mapping}, tmp_path, CorrectionTexts("why", format_reason))
    written = list(csv.reader(path.read_text("utf-8").splitlines()))
    assert left == 0
    assert written == [
        ["id", "b", "why"],
        ["", "x", "field is empty"],
        ["", "y", "field is empty; outline is longer than 1,000 bytes"],
    ]


def rejected_of(file: str, header: str, raw: str, part: str | None) -> pl.DataFrame:
    why = [reason("column_empty", column="tank_t").columns]
    row = {
        "source_sha256": "a",
        "file": file,
        "mapping": "m",
        "part": part,
        "header": header,
        "raw": raw,
        "reasons": why,
    }
    return pl.DataFrame([row], schema_overrides={"part": pl.String})


LOG = {
    "kind": "telemetry",
    "files": ["*"],
    "separator": ";",
    "header_line": 2,
    "time_zone": "UTC",
    "columns": {
        "machine_id": {"preamble": r"^Nr\. (\w+)$"},
        "logged_at": {"from": "T", "format": "%Y-%m-%d %H:%M"},
        "tank_t": {"from": "K", "unit": "t"},
    },
}


def test_a_corrections_file_keeps_the_values_above_its_header(tmp_path, catalogue):
    mapping = parse_mapping(LOG, "m", catalogue, "test")
    rows = rejected_of("f.csv", "Nr. M7\nT;K", "2025-10-17 06:00;7.5", None)
    (path,), left = write_rejected(rows, {"m": mapping}, tmp_path, CorrectionTexts("why", format_reason))
    good = first_rows(path, mapping, catalogue, 10).good
    assert left == 0
    assert good.select("machine_id", "tank_t").rows() == [("M7", 7.5)]


def test_rows_of_sheets_with_their_own_lines_above_the_header_are_left(tmp_path, catalogue):
    texts, rows = CorrectionTexts("why", format_reason), rejected_of("f.xlsx", "Nr. M7\nT\tK", "2025\t7", "B")
    several = parse_mapping({**LOG, "form": "sheet", "sheet": "*"}, "m", catalogue, "test")
    assert write_rejected(rows, {"m": several}, tmp_path, texts) == ([], 1)
    single = parse_mapping({**LOG, "form": "sheet"}, "m", catalogue, "test")
    written, left = write_rejected(rows, {"m": single}, tmp_path, texts)
    assert (len(written), left) == (1, 0)
