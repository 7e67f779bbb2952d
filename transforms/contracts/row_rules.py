"""Row rules of the source tables: fast validity check, key-free validation, and reasons of broken rules."""

import copy
from functools import cache
from typing import Any

import dataframely as dy
import polars as pl

from transforms.contracts.reason import Reason, reason


@cache
def build_single_row_schema(schema: type[dy.Schema]) -> Any:
    """Return a schema with the rules of single rows only: keys may repeat, and each row has its `line` and `row`.

    Duplicate keys are resolved later, so a duplicate key never rejects an otherwise valid row.
    """
    columns = {name: copy.copy(column) for name, column in schema.columns().items()}
    for column in columns.values():
        column.primary_key = False
    return type("RowsAlone", (schema,), {"__annotations__": {}, **columns, "line": dy.Int64(), "row": dy.Int64()})


def is_provably_valid(rows: pl.DataFrame, schema: type[dy.Schema]) -> bool:
    """Return True if column sums and extremes prove that every row is valid; False if rows must be checked one by one.

    This is ten times cheaper than checking each row, and most blocks of most logs are valid. A sum is finite only if
    every number is. Schemas with rules over several columns or with other column types always return False.
    """
    proof = _validity_proof(schema)
    return proof is not None and bool(rows.select(proof).item())


@cache
def _validity_proof(schema: type[dy.Schema]) -> pl.Expr | None:
    """Return the condition on the columns that proves all rows valid; None if there is none."""
    if any("|" not in rule for rule in schema._validation_rules(with_cast=False)):  # noqa: SLF001
        return None
    checks: list[pl.Expr] = []
    for name, column in schema.columns().items():
        col = pl.col(name)
        if not column.nullable:
            checks.append(col.null_count() == 0)
        if isinstance(column, dy.Float64):
            checks.append(col.sum().is_finite())
        elif isinstance(column, dy.String) and column.min_length is not None:
            checks.append(col.str.len_bytes().min() >= column.min_length)
        elif not isinstance(column, (dy.Datetime, dy.Int64, dy.String)):
            return None
        for bound, within in (
            ("min", col.min().__ge__),
            ("max", col.max().__le__),
            ("min_exclusive", col.min().__gt__),
        ):
            if (value := getattr(column, bound, None)) is not None:
                checks.append(within(pl.lit(value)))
    return pl.all_horizontal(check.fill_null(value=True) for check in checks)


SEVERAL_COLUMNS_CODES = (
    "delivered_unknown",
    "truck_not_above_empty",
    "truck_load_too_heavy",
    "weights_disagree",
    "clean_above_delivered",
    "weighed_before_leaving",
    "sand_and_clay_exceed_100",
    "lowest_above_highest",
    "audit_without_result",
    "audit_without_plot",
    "classes_exceed_broken",
    "parts_exceed_root_loss",
    "check_without_result",
    "check_without_link",
    "place_unknown",
    "sampling_reason_unknown",
    "topping_exceeds_checked",
    "breaks_exceed_checked",
    "damage_exceeds_checked",
    "position_not_fixed",
)
"""Rules over several columns; the reason for rejecting a row that breaks one has the name of the rule."""


def rejection_reason(rule: str, schema: type[dy.Schema]) -> Reason:
    """Return the reason for rejecting a row, from the name that dataframely gives the broken rule.

    Raises:
        KeyError: the rule has no reason.
    """
    if rule.endswith("_needed"):
        return reason("column_empty", column=rule.removesuffix("_needed"))
    if "|" not in rule:
        return {code: reason(code) for code in SEVERAL_COLUMNS_CODES}[rule]
    column, kind = rule.split("|", 1)
    limit = getattr(schema.columns()[column], kind, None)
    bound = limit if isinstance(limit, int | float) else str(limit)
    return {
        "nullability": reason("column_empty", column=column),
        "min_length": reason("column_empty", column=column),
        "min": reason("below_minimum", column=column, bound=bound),
        "min_exclusive": reason("not_above_bound", column=column, bound=bound),
        "max": reason("above_maximum", column=column, bound=bound),
        "nan": reason("value_not_a_number", column=column),
        "inf": reason("value_not_finite", column=column),
    }[kind]


def rule_column(rule: str) -> str | None:
    """Return the column of a rule; None for a rule over several columns.

    >>> rule_column("delivered_t|min")
    'delivered_t'
    >>> rule_column("clean_above_delivered") is None
    True
    """
    if rule.endswith("_needed"):
        return rule.removesuffix("_needed")
    return rule.split("|", 1)[0] if "|" in rule else None
