"""The use of last season in the section on methods."""

import polars as pl

from reports.language.reason_text import row_reason
from reports.page.tables import Table
from reports.sections.effects_data import FitChecksData
from reports.sections.season_methods import methods_section
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.model.setting_terms import SHARED_BENDS
from transforms.storage.product_basis import FIT_CHECK, product_status
from transforms.storage.warehouse import Warehouse

ROWS = [
    (DIRT, "share_depth_cm", 0.98, "last_season_agrees", "{}"),
    (DIRT, "ground_speed_kmh", 0.3, "last_season_in_doubt", "{}"),
    (ROOT_LOSS, SHARED_BENDS["less"], 0.01, "last_season_denied", "{}"),
]


def tables_of(rows: list[tuple[str, str, float, str, str]], catalogue: Catalogue) -> dict[str, Table]:
    with Warehouse.in_memory() as warehouse:
        status = product_status(warehouse, FIT_CHECK)
    data = FitChecksData(
        verdicts=pl.DataFrame(),
        checks=pl.DataFrame(schema=schema_of("fit_check")),
        last_season=pl.DataFrame(rows, schema=schema_of("last_season"), orient="row"),
        status=status,
    )
    section = methods_section(data, 0.9, catalogue)
    return {block.id: block for block in section.blocks if isinstance(block, Table)}


def test_each_setting_has_its_weight_and_its_reason(catalogue: Catalogue):
    table = tables_of(ROWS, catalogue)["last_season"]
    assert [row.cells[2].value for row in table.rows] == [0.98, 0.3, 0.01]
    assert table.rows[0].cells[1].text == catalogue["share_depth_cm"].label
    assert table.rows[2].cells[1].text != SHARED_BENDS["less"]


def test_without_a_last_season_there_is_no_table(catalogue: Catalogue):
    assert "last_season" not in tables_of([], catalogue)


def test_a_partly_denied_season_names_its_settings(catalogue: Catalogue):
    why = reason("last_season_partly", n=10, used=9, setting=["share_depth_cm"])
    assert catalogue["share_depth_cm"].label in row_reason(why.columns, catalogue)
