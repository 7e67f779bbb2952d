import fastexcel
import polars as pl
import pytest

from transforms.config.workspace import init_workspace
from transforms.operations.export import exported_tables, write_tables
from transforms.storage.lake import Lake
from transforms.storage.lake_record import record_files
from transforms.storage.warehouse import Warehouse

EVIL = {
    "load": pl.DataFrame(
        {"load_id": ["=cmd()", "+1", "ok", "-2", "@x", None], "delivered_t": [1.0, -2.0, 3.0, 4.0, 5.0, 6.0]}
    )
}


def test_text_never_opens_as_a_formula_in_csv(tmp_path):
    (path,) = write_tables(EVIL, tmp_path, "csv")
    table = pl.read_csv(path)
    assert table["load_id"].to_list() == ["'=cmd()", "'+1", "ok", "'-2", "'@x", None]
    assert table["delivered_t"][1] == -2.0


def test_a_workbook_holds_text_as_text_and_every_table_a_sheet(tmp_path):
    (path,) = write_tables({**EVIL, "field": pl.DataFrame({"a": [1]})}, tmp_path, "xlsx")
    book = fastexcel.read_excel(path)
    assert book.sheet_names == ["load", "field"]
    assert book.load_sheet_by_name("load").to_polars()["load_id"][0] == "=cmd()"


def test_a_table_too_long_for_a_workbook_is_kept_whole_beside_it(tmp_path, monkeypatch):
    monkeypatch.setattr("transforms.operations.export.SHEET_ROWS", 5)
    book, beside = write_tables({**EVIL, "field": pl.DataFrame({"a": [1]})}, tmp_path, "xlsx")
    assert fastexcel.read_excel(book).sheet_names == ["field"]
    assert pl.read_parquet(beside).equals(EVIL["load"])


def test_parquet_keeps_types_and_leaves_no_partial_file(tmp_path):
    write_tables(EVIL, tmp_path, "parquet")
    assert pl.read_parquet(tmp_path / "load.parquet").equals(EVIL["load"])
    assert [p.name for p in tmp_path.iterdir()] == ["load.parquet"]


@pytest.mark.parametrize("form", ["csv", "xlsx", "parquet"])
def test_a_failed_export_leaves_the_old_file_and_nothing_unfinished(tmp_path, form, monkeypatch):
    (path,) = write_tables(EVIL, tmp_path, form)
    before = path.read_bytes()

    def fails(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    for owner, name in ((pl.DataFrame, "write_csv"), (pl.DataFrame, "write_excel"), (pl.DataFrame, "to_arrow")):
        monkeypatch.setattr(owner, name, fails)
    with pytest.raises(OSError, match="No space"):
        write_tables({"load": EVIL["load"].head(1)}, tmp_path, form)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_the_next_export_removes_what_a_killed_one_left(tmp_path):
    for name in (".load.csv.partial", ".taretrace.xlsx.partial", ".load.parquet.partial"):
        (tmp_path / name).write_bytes(b"half")
    (tmp_path / "own.partial").write_bytes(b"not of an export")
    write_tables(EVIL, tmp_path, "csv")
    assert {p.name for p in tmp_path.iterdir()} == {"load.csv", "own.partial"}


def test_only_recorded_bins_are_exported(tmp_path):
    lake = Lake(tmp_path)
    at = pl.Series([0]).cast(pl.Datetime("us", "UTC"))
    recorded = lake.put_day(pl.DataFrame({"machine_id": ["M"], "bin_at": at}), "bin", ("M", "2025-10-01"))
    lake.put_day(pl.DataFrame({"machine_id": ["X"], "bin_at": at}), "bin", ("X", "2025-10-01"))
    with Warehouse.in_memory() as warehouse:
        record_files(warehouse, [recorded])
        assert exported_tables(warehouse, lake)["bin"]["machine_id"].to_list() == ["M"]


ROW = {"machine": ["M"], "day": ["d"], "fingerprint": ["f"]}


@pytest.mark.parametrize("write", ["append", "replace"])
def test_a_column_that_a_table_lacks_is_an_error(write):
    with Warehouse.in_memory() as warehouse:
        with pytest.raises(ValueError, match="more"):
            getattr(warehouse, write)("binned_day", pl.DataFrame({**ROW, "more": [1]}))
        getattr(warehouse, write)("binned_day", pl.DataFrame(ROW))
        assert warehouse.table("binned_day").height == 1


def test_a_value_is_not_changed_by_storing_it():
    at = pl.Series([0]).cast(pl.Datetime("us", "UTC"))
    row = {"machine": ["m"], "machine_id": ["M"], "day": ["d"], "rolled_at": at}
    with Warehouse.in_memory() as warehouse:
        with pytest.raises(ValueError, match="records"):
            warehouse.append("rolled_day", pl.DataFrame({**row, "records": [1.6]}))
        with pytest.raises(ValueError, match="records"):
            warehouse.append("rolled_day", pl.DataFrame({**row, "records": ["1"]}))
        warehouse.append("rolled_day", pl.DataFrame({**row, "records": [2]}))
        assert warehouse.table("rolled_day")["records"].to_list() == [2]


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
