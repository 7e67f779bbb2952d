import fastexcel
import polars as pl
import pytest

from transforms.export import write_tables
from transforms.warehouse import Warehouse
from transforms.workspace import init_workspace

EVIL = {
    "load": pl.DataFrame(
        {"load_id": ["=cmd()", "+1", "ok", "-2", "@x", None], "gross_t": [1.0, -2.0, 3.0, 4.0, 5.0, 6.0]}
    )
}


def test_text_never_opens_as_a_formula_in_csv(tmp_path):
    (path,) = write_tables(EVIL, tmp_path, "csv")
    table = pl.read_csv(path)
    assert table["load_id"].to_list() == ["'=cmd()", "'+1", "ok", "'-2", "'@x", None]
    assert table["gross_t"][1] == -2.0


def test_a_workbook_holds_text_as_text_and_every_table_a_sheet(tmp_path):
    (path,) = write_tables({**EVIL, "field": pl.DataFrame({"a": [1]})}, tmp_path, "xlsx")
    book = fastexcel.read_excel(path)
    assert book.sheet_names == ["load", "field"]
    assert book.load_sheet_by_name("load").to_polars()["load_id"][0] == "=cmd()"


def test_a_table_too_long_for_a_workbook_is_kept_whole_beside_it(tmp_path, monkeypatch):
    monkeypatch.setattr("transforms.export.SHEET_ROWS", 5)
    book, beside = write_tables({**EVIL, "field": pl.DataFrame({"a": [1]})}, tmp_path, "xlsx")
    assert fastexcel.read_excel(book).sheet_names == ["field"]
    assert pl.read_parquet(beside).equals(EVIL["load"])


def test_parquet_keeps_types_and_leaves_no_partial_file(tmp_path):
    write_tables(EVIL, tmp_path, "parquet")
    assert pl.read_parquet(tmp_path / "load.parquet").equals(EVIL["load"])
    assert [p.name for p in tmp_path.iterdir()] == ["load.parquet"]


def cut_off(warehouse: Warehouse, row: pl.DataFrame) -> None:
    with warehouse.transaction():
        warehouse.append("binned_day", row)
        raise RuntimeError("power cut")


def test_a_warehouse_transaction_is_all_or_nothing(tmp_path):
    workspace = init_workspace(tmp_path)
    row = pl.DataFrame({"machine": ["M"], "day": ["d"], "fingerprint": ["f"]})
    with Warehouse(workspace.warehouse) as warehouse:
        with pytest.raises(RuntimeError, match="power cut"):
            cut_off(warehouse, row)
        assert warehouse.table("binned_day").height == 0
