"""The cost of missing data is shown only if it is worth something; its figures are in the appendix."""

import polars as pl
import pytest

from reports.sections.missing_numbers import missing_data_section, missing_data_table
from transforms.contracts.result_tables import schema_of


def rows(*gains: tuple[str, float, float]) -> pl.DataFrame:
    """Rows of sources with their gains in percent of all loads and in trace quality."""
    return pl.DataFrame(
        [(s, 4, 120, 40.0, 40 + 2 * g, 0.5, 0.5 + q, 500, 1000, 55.0, 55 + g, "x") for s, g, q in gains],
        schema=schema_of("missing_data"),
        orient="row",
    )


def test_nothing_is_said_without_a_gain_or_without_rows():
    assert missing_data_section(rows()) is None
    assert missing_data_table(rows()) is None
    assert missing_data_section(rows(("truck_id", 0.2, 0.0))) is None
    assert missing_data_table(rows(("truck_id", 0.2, 0.0))) is not None


@pytest.mark.parametrize("gain", [(18.0, 0.2), (0.0, 0.1)])
def test_a_gain_is_said_with_both_percentages(gain):
    section = missing_data_section(rows(("machine_id", *gain), ("truck_id", 0.0, 0.0)))
    assert section is not None
    (prose,) = section.blocks
    assert "55" in prose.text
    assert f"{55 + gain[0]:.0f}" in prose.text


def test_the_table_has_a_row_for_each_source():
    section = missing_data_table(rows(("machine_id", 18.0, 0.2), ("truck_id", 9.0, 0.1)))
    assert section is not None
    assert len(section.blocks[1].rows) == 2
