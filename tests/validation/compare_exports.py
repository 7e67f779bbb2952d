"""Compare two exports of a workspace value by value.

Run it on the folders that `taretrace export --to FOLDER` wrote before and after a change of code:

    python tests/validation/compare_exports.py BEFORE AFTER [--map tests/validation/renamed_columns.toml]

The map names what was renamed: `[load] weight_t = "delivered_t"`; `"" ` as the new name marks a column that was
replaced and is not compared. Times of the run itself are left out. Exit code 1 if anything differs.
"""

import argparse
import tomllib
from pathlib import Path

import polars as pl

RUN_TIMES = {"received_at", "fitted_at", "given_at", "upgraded_at", "created_at", "issued_at", "file_at"}
"""Columns that hold the moment of a run or a file's date on disk."""
RELATIVE_TOLERANCE = 1e-9


def differing_columns(before: pl.DataFrame, after: pl.DataFrame, renamed: dict[str, str]) -> list[str]:
    """Return one line for each column that differs between two versions of a table.

    Args:
        before: the table as exported by the earlier code.
        after: the table as exported by the later code.
        renamed: column before -> column after; empty text for a column that is not compared.
    """
    lines = []
    if before.height != after.height:
        return [f"{before.height} rows before, {after.height} after"]
    names = {c: renamed.get(c, c) for c in before.columns if c not in RUN_TIMES}
    compared = {old: new for old, new in names.items() if new}
    lines += [f"'{old}' is missing (expected as '{new}')" for old, new in compared.items() if new not in after.columns]
    compared = {old: new for old, new in compared.items() if new in after.columns}
    left = before.select(list(compared)).rename(compared)
    right = after.select(list(compared.values()))
    order = [c for c in left.columns if not left[c].dtype.is_nested() and not left[c].dtype.is_float()]
    left, right = (frame.sort(order, nulls_last=True, maintain_order=True) for frame in (left, right))
    for name in left.columns:
        a, b = left[name], right[name]
        if a.dtype.is_float() and b.dtype.is_float():
            apart = (a - b).abs() > RELATIVE_TOLERANCE * pl.select(pl.max_horizontal(a.abs(), b.abs())).to_series()
            differs = int((apart.fill_null(value=False) | (a.is_null() != b.is_null())).sum())
        else:
            differs = int(a.ne_missing(b.cast(a.dtype, strict=False)).sum())
        if differs:
            lines.append(f"'{name}' differs in {differs} of {a.len()} rows")
    return lines


def compare(before: Path, after: Path, columns: dict[str, dict[str, str]]) -> int:
    """Print what differs between two folders of exported tables; return how many tables differ."""
    wrong = 0
    for path in sorted(before.glob("*.parquet")):
        other = after / path.name
        renamed = columns.get(path.stem, {})
        if not other.exists():
            lines = ["the table is missing"]
        else:
            lines = differing_columns(pl.read_parquet(path), pl.read_parquet(other), renamed)
        print(f"{path.stem}: {'equal' if not lines else '; '.join(lines)}")
        wrong += bool(lines)
    return wrong


def main() -> None:
    """Read the command line and compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    parser.add_argument("--map", type=Path)
    asked = parser.parse_args()
    columns = tomllib.loads(asked.map.read_text("utf-8")) if asked.map else {}
    raise SystemExit(1 if compare(asked.before, asked.after, columns) else 0)


if __name__ == "__main__":
    main()
