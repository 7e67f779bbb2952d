"""Result tables: the definition of each is that of its statement, and the warehouse accepts nothing else."""

import polars as pl
import pytest

from transforms.contracts.result_tables import RESULT_TABLES, schema_of
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse

SQL_TYPES = {
    pl.String: "VARCHAR",
    pl.Float64: "DOUBLE",
    pl.Int64: "BIGINT",
    pl.Date: "DATE",
    pl.Boolean: "BOOLEAN",
    pl.Datetime("us", "UTC"): "TIMESTAMP WITH TIME ZONE",
}


@pytest.fixture(scope="module")
def warehouse():
    with Warehouse.in_memory() as opened:
        yield opened


def test_every_result_table_has_a_definition():
    assert set(RESULT_TABLES) == set(sql_names("results"))


@pytest.mark.parametrize("table", RESULT_TABLES)
def test_a_definition_is_that_of_the_statement(warehouse, table):
    text = "select column_name, data_type, is_nullable from information_schema.columns where table_name = $name"
    created = {
        name: (kind, nullable == "YES") for name, kind, nullable in warehouse._rows(text, {"name": table}).rows()
    }
    defined = {n: (SQL_TYPES[c.dtype], c.nullable) for n, c in RESULT_TABLES[table].columns().items()}
    assert list(created) == list(defined)
    assert created == defined


def test_a_schema_leaves_out_what_a_later_step_adds():
    assert "q_value" in schema_of("effect")
    assert "q_value" not in schema_of("effect", without=("q_value",))


@pytest.mark.parametrize("table", RESULT_TABLES)
def test_an_unknown_or_an_omitted_column_is_refused(warehouse, table):
    schema = schema_of(table)
    with pytest.raises(ValueError, match="no_such_column"):
        warehouse.append(table, pl.DataFrame(schema={**schema, "no_such_column": pl.String}))
    for name, column in RESULT_TABLES[table].columns().items():
        rest = pl.DataFrame(schema={n: t for n, t in schema.items() if n != name})
        if column.nullable:
            warehouse.append(table, rest)
        else:
            with pytest.raises(ValueError, match=name):
                warehouse.append(table, rest)


def test_a_declared_table_keeps_its_columns(warehouse):
    with pytest.raises(ValueError, match="audit_loss"):
        warehouse.store("audit_loss", pl.DataFrame({"audit_id": ["A1"], "more": [1.0]}))
    warehouse.store("load_setting", pl.DataFrame({"load_id": ["L1"], "share_depth_cm": [5.0]}))
    assert warehouse.columns("load_setting") == ["load_id", "share_depth_cm"]
