"""Calculation of one number from several columns of a file, in the stored unit."""

from collections.abc import Sequence

import polars as pl

from transforms.contracts.units import UNITS, quotient_unit, to_unit

SAME_UNIT_AFTER = ("mean", "sum", "difference", "first")
"""Calculations whose result has the unit of the numbers."""


def combined(numbers: Sequence[pl.Expr], calculation: str) -> pl.Expr:
    """Return the result of a calculation; null if a number is null, except for the mean and the first of them.

    Args:
        numbers: one expression per column of the file.
        calculation: `mean`, `sum`, `difference`, `ratio`, `scaled` or `first`.

    Raises:
        KeyError: the calculation is unknown.
    """
    if len(numbers) == 1:
        return numbers[0]
    if calculation in {"mean", "sum", "first"}:
        return {
            "mean": pl.mean_horizontal(numbers),
            "sum": pl.sum_horizontal(numbers, ignore_nulls=False),
            "first": pl.coalesce(numbers),
        }[calculation]
    last = numbers[-1]
    divisor = pl.when(last != 0).then(last)
    return {
        "difference": lambda: numbers[0] - last,
        "ratio": lambda: numbers[0] / divisor,
        "scaled": lambda: numbers[0] * numbers[1] / divisor,
    }[calculation]()


def combined_in_stored_unit(
    numbers: Sequence[pl.Expr], units: Sequence[str], calculation: str, stored: str, *, where: str
) -> pl.Expr:
    """Return the result of a calculation with numbers in different units, in the stored unit.

    Args:
        numbers: one expression per column of the file.
        units: unit of each number.
        calculation: see `combined`.
        stored: stored unit of the result.
        where: the mapping and column, for messages.

    Raises:
        WorkspaceError: the units do not give the stored unit.
    """
    if calculation in SAME_UNIT_AFTER:
        same = [to_unit(n, u, stored, where=where) for n, u in zip(numbers, units, strict=True)]
        return combined(same, calculation)
    based = [n * UNITS[u].factor for n, u in zip(numbers, units, strict=True)]
    if calculation == "scaled":
        return combined([to_unit(numbers[0], units[0], stored, where=where), *based[1:]], calculation)
    return to_unit(combined(based, calculation), str(quotient_unit(units[0], units[1])), stored, where=where)
