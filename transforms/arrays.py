"""Type aliases of numeric arrays, and narrowing of scalars, which polars annotates as unions of all it can store."""

from decimal import Decimal
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
T = TypeVar("T")


def narrow(value: object, kind: type[T]) -> T:
    """Return a value unchanged after checking its type.

    Raises:
        TypeError: it is of another type, or missing.
    """
    if not isinstance(value, kind):
        raise TypeError(f"expected {kind.__name__}, found {type(value).__name__}")
    return value


def to_float(scalar: object) -> float:
    """Return a number as float.

    Raises:
        TypeError: it is not a number, or missing.
    """
    return float(scalar if isinstance(scalar, int | Decimal) else narrow(scalar, float))
