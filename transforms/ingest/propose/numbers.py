"""Numbers of a file as text, with any decimal and thousands mark."""

import math
import re

NUMBER = re.compile(r"^[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?$")
GROUPED = re.compile(r"^[+-]?\d{1,3}(?:([.,' \u00a0\u202f])\d{3})(?:\1\d{3})*(?:[.,]\d+)?$")
PLAIN = re.compile(r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$")


def is_number(cell: str) -> bool:
    """Return True if a cell is a number with any decimal mark.

    >>> is_number("1.204,5")
    True
    >>> is_number("F012")
    False
    """
    return bool(NUMBER.match(cell) or GROUPED.match(cell))


def parse_number(cell: str, decimal: str, thousands: str) -> float:
    """Return a cell as a number; nan if it is not one with these marks. A bound such as "<0.5" counts as its number.

    >>> parse_number("1.204,5", ",", ".")
    1204.5
    """
    text = cell.removesuffix("%").strip().lstrip("<>≤≥~≈").lstrip()
    if thousands:
        text = text.replace(thousands, "")
    if decimal != ".":
        if "." in text:
            return math.nan
        text = text.replace(decimal, ".")
    return float(text) if PLAIN.match(text) else math.nan
