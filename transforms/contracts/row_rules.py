"""Row rules of the source tables: fast validity check, key-free validation, and descriptions of broken rules."""

import copy
from functools import cache
from typing import Any

import dataframely as dy
import polars as pl


@cache
def rows_alone(schema: type[dy.Schema]) -> Any:
    """Return a schema with the rules of single rows only: keys may repeat, and each row has its `line` and `row`.

    Duplicate keys are resolved later, so a duplicate key never rejects an otherwise valid row.
    """
    columns = {name: copy.copy(column) for name, column in schema.columns().items()}
    for column in columns.values():
        column.primary_key = False
    return type("RowsAlone", (schema,), {"__annotations__": {}, **columns, "line": dy.Int64(), "row": dy.Int64()})


def plainly_valid(rows: pl.DataFrame, schema: type[dy.Schema]) -> bool:
    """Return True if column sums and extremes prove that every row is valid; False if rows must be checked one by one.

    This is ten times cheaper than checking each row, and most blocks of most logs are valid. A sum is finite only if
    every number is. Schemas with rules over several columns or with other column types always return False.
    """
    checks: dict[str, pl.Expr] = {}
    if any("|" not in rule for rule in schema._validation_rules(with_cast=False)):  # noqa: SLF001
        return False
    for name, column in schema.columns().items():
        col = pl.col(name)
        if not column.nullable:
            checks[f"{name} null"] = col.null_count() == 0
        if isinstance(column, dy.Float64):
            checks[f"{name} finite"] = col.sum().is_finite()
        elif isinstance(column, dy.String) and column.min_length is not None:
            checks[f"{name} length"] = col.str.len_bytes().min() >= column.min_length
        elif not isinstance(column, (dy.Datetime, dy.Int64, dy.String)):
            return False
        for bound, within in (
            ("min", col.min().__ge__),
            ("max", col.max().__le__),
            ("min_exclusive", col.min().__gt__),
        ):
            if (value := getattr(column, bound, None)) is not None:
                checks[f"{name} {bound}"] = within(pl.lit(value))
    return bool(rows.select(pl.all_horizontal(e.fill_null(value=True) for e in checks.values())).item())


RULE_WORDS = {
    "net_above_gross": "net_t is above gross_t",
    "weighed_before_leaving": "weighed_at is not after left_field_at",
    "sand_and_clay_exceed_100": "sand_pct and clay_pct together are above 100",
    "lowest_above_highest": "air_temp_min_c is above air_temp_max_c",
}
"""Rule over several columns -> reason for rejecting a row that breaks it."""


def rule_in_words(rule: str, schema: type[dy.Schema]) -> str:
    """Return the reason for rejecting a row, from the name that dataframely gives the broken rule."""
    if rule.endswith("_needed"):
        return f"{rule.removesuffix('_needed')} is empty"
    if "|" not in rule:
        return RULE_WORDS[rule]
    column, kind = rule.split("|", 1)
    bound = getattr(schema.columns()[column], kind, None)
    return {
        "nullability": f"{column} is empty",
        "min_length": f"{column} is empty",
        "min": f"{column} is below {bound}",
        "min_exclusive": f"{column} is not above {bound}",
        "max": f"{column} is above {bound}",
        "nan": f"{column} is not a number",
        "inf": f"{column} is not finite",
    }[kind]


def rule_column(rule: str) -> str | None:
    """Return the column of a rule; None for a rule over several columns.

    >>> rule_column("gross_t|min")
    'gross_t'
    >>> rule_column("net_above_gross") is None
    True
    """
    if rule.endswith("_needed"):
        return rule.removesuffix("_needed")
    return rule.split("|", 1)[0] if "|" in rule else None
