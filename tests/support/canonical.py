"""Files in canonical columns and units, and the mappings that read them: seasons made again from one that was read."""

import polars as pl

from transforms.contracts.units import stored_unit

TIMES = ("logged_at", "weighed_at", "left_field_at", "tared_at", "audited_at", "hour_at", "valid_from_at")
NOT_TOLD = (
    "source_sha256",
    "line",
    "part",
    "cancelled",
    "issued_at",
    "sections_on_pct",
    "load_number",
    "loaded_t",
    "unload_number",
    "unloaded_t",
)
"""Columns that a file does not give for a row, or that not every machine logs: one mapping reads all files."""


def reported(rows: pl.DataFrame) -> pl.DataFrame:
    """The columns that a file would have."""
    return rows.select(c for c in rows.columns if c not in NOT_TOLD)


def as_text(rows: pl.DataFrame) -> pl.DataFrame:
    """Times and flags as a file writes them."""
    return rows.with_columns(
        *(pl.col(c).dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ") for c in TIMES if c in rows.columns),
        *(pl.col(c).cast(pl.Int8) for c in rows.columns if rows.schema[c] == pl.Boolean),
    )


def mapping_of(kind: str, rows: pl.DataFrame, files: str) -> str:
    """The mapping that reads such files."""
    lines = [f'kind = "{kind}"', f'files = ["{files}"]']
    for column in rows.columns:
        lines += [f"[columns.{column}]", f'from = "{column}"']
        if column in TIMES:
            lines += ['format = "%Y-%m-%dT%H:%M:%S%.fZ"', 'time_zone = "UTC"']
        elif column in {"unloading", "rear_roller_reversed"}:
            lines += ['unit = "flag"']
        elif (unit := stored_unit(column)) is not None:
            lines += [f'unit = "{unit}"']
    return "\n".join(lines) + "\n"
