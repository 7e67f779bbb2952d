"""Earlier names of columns, so that mappings written before a column was renamed go on being read."""

from collections.abc import Collection

EARLIER_NAMES = {"load": {"gross_t": "delivered_t", "net_t": "clean_t"}}
"""Kind of file -> earlier name of a column -> its present name."""


def present_names(kind: str | None, written: Collection[str]) -> dict[str, str]:
    """Return the present name of each column of a mapping.

    Args:
        kind: kind of file; None if unknown.
        written: names of columns in the mapping; an earlier name beside its present name stays as it is.

    >>> present_names("load", ["load_id", "gross_t"])
    {'load_id': 'load_id', 'gross_t': 'delivered_t'}
    """
    earlier = EARLIER_NAMES.get(kind or "", {})
    return {name: name if earlier.get(name, name) in written else earlier[name] for name in written}


def first_name(kind: str, column: str) -> str:
    """Return the first name that a column had."""
    return next((first for first, present in EARLIER_NAMES.get(kind, {}).items() if present == column), column)
