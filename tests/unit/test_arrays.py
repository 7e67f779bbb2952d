"""Narrowing of scalars: the value is unchanged, and another type is an error."""

import datetime as dt
from decimal import Decimal

import numpy as np
import polars as pl
import pytest

from transforms.arrays import narrow, to_float


def test_aggregates_of_columns_are_floats():
    numbers = (2, 2.0, Decimal(2), np.float64(2.0), pl.Series([1, 3]).mean(), pl.Series([2], dtype=pl.Int8).max())
    for number in numbers:
        assert to_float(number) == 2.0
        assert type(to_float(number)) is float
    for wrong in (None, "2", dt.date(2025, 10, 6), pl.Series([], dtype=pl.Float64).mean()):
        with pytest.raises(TypeError):
            to_float(wrong)


def test_a_value_of_another_type_is_refused():
    days = pl.Series([dt.date(2025, 10, 6), dt.date(2025, 10, 7)])
    assert narrow(days.max(), dt.date) == dt.date(2025, 10, 7)
    with pytest.raises(TypeError, match="expected datetime, found date"):
        narrow(days.max(), dt.datetime)
