"""Natural sort order of ids: S9 before S10."""

import polars as pl


def natural_key(ids: pl.Expr) -> pl.Expr:
    """Return a sort key that orders numbers within ids by value, up to 20 digits."""
    return ids.str.replace_all(r"(\d+)", "00000000000000000000${1}").str.replace_all(r"\d*(\d{20})", "${1}")
