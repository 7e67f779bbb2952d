"""Results of trials from before reasons were codes."""

import datetime as dt

import duckdb
import polars as pl

from reports.language.reason_text import row_reason
from tests.unit.sql.earlier_layouts import layouts
from tests.unit.sql.test_migrations import made_of
from transforms.storage.warehouse import Warehouse

EARLIER = next(v for v in reversed(layouts()) if "says varchar" in v.get("tables/trial_result", ""))
SENTENCE = 'no difference is shown; "F{1}" says how large one may still be'


def test_an_earlier_sentence_is_shown_as_it_was_written(tmp_path):
    con: duckdb.DuckDBPyConnection = made_of(EARLIER, tmp_path / "warehouse.duckdb")
    row = ["T001", "M1", "F1", dt.date(2025, 10, 20), "share_depth_cm", 7.0, 6.0, 8, 0, SENTENCE]
    con.execute(
        "insert into trial_result (trial_id, machine_id, field_id, shift_date, setting, value_a, value_b, pairs, "
        "strayed, says) values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    )
    con.close()
    with Warehouse(tmp_path / "warehouse.duckdb") as warehouse:
        (result,) = warehouse.table("trial_result").to_dicts()
    assert result["reason_code"] == "earlier_text"
    assert row_reason(result) == SENTENCE
    assert "says" not in result
    assert (result["response"], result["reading_code"], result["traced_pairs"]) == ("dirt_tare_pct", "planned", None)


def test_a_workspace_with_codes_keeps_them(tmp_path):
    path = tmp_path / "warehouse.duckdb"
    with Warehouse(path) as warehouse:
        result = dict.fromkeys(warehouse.columns("trial_result")) | {
            "trial_id": "T001",
            "machine_id": "M1",
            "field_id": "F1",
            "shift_date": dt.date(2025, 10, 20),
            "setting": "share_depth_cm",
            "value_a": 7.0,
            "value_b": 6.0,
            "response": "dirt_tare_pct",
            "pairs": 8,
            "strayed": 0,
            "reading_code": "planned",
            "reason_code": "b_cleaner",
            "reason_args": "{}",
        }
        warehouse.append("trial_result", pl.DataFrame([result]))
    con = duckdb.connect(str(path))
    con.execute("comment on table source_file is 'another layout'")
    con.close()
    with Warehouse(path) as warehouse:
        kept = warehouse.table("trial_result").row(0, named=True)
        assert warehouse.table("upgrade").height == 1
    assert (kept["reason_code"], kept["reason_args"]) == ("b_cleaner", "{}")
