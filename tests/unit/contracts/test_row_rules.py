"""Reasons of the row rules: every rule of every source table has one, with the column and the bound."""

import pytest

from reports.language.reason_text import format_reason
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.reason import reason
from transforms.contracts.row_rules import build_single_row_schema, rejection_reason
from transforms.contracts.source_tables import CONTRACTS, contract


@pytest.mark.parametrize("kind", CONTRACTS)
def test_every_rule_has_a_reason_with_a_sentence(kind):
    schema = contract(kind, load_catalogue())
    rules = [
        r
        for r in build_single_row_schema(schema)._validation_rules(with_cast=False)
        if not r.startswith(("line|", "row|"))
    ]
    assert rules
    assert all(format_reason(rejection_reason(rule, schema)) for rule in rules)


def test_a_reason_names_the_column_and_the_bound():
    schema = contract("load", load_catalogue())
    assert rejection_reason("delivered_t|max", schema) == reason("above_maximum", column="delivered_t", bound=60)
    assert format_reason(rejection_reason("delivered_t|max", schema)) == "delivered weight (with soil) is above 60"
    assert rejection_reason("clean_above_delivered", schema) == reason("clean_above_delivered")
