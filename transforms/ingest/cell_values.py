"""Conversion of cells: machine scales to stored units, and removal of apostrophes and empty rows."""

from itertools import pairwise

import polars as pl

from transforms.ingest.mapping import CORRECTIONS_PREFIX


def interpolate_scale(number: pl.Expr, steps: tuple[tuple[float, float], ...]) -> pl.Expr:
    """Return a machine scale in the stored unit: linear between neighbouring points, null outside their range.

    Args:
        number: values on the machine scale.
        steps: (machine value, value in the stored unit) in ascending order.
    """
    segments = [pl.when(number == steps[0][0]).then(pl.lit(steps[0][1]))]
    segments += [
        pl.when((number > x0) & (number <= x1)).then(y0 + (number - x0) * ((y1 - y0) / (x1 - x0)))
        for (x0, y0), (x1, y1) in pairwise(steps)
    ]
    return pl.coalesce(segments)


def without_apostrophes(cells: pl.DataFrame, file_name: str) -> pl.DataFrame:
    """Remove the apostrophes of a corrections file, which keep a spreadsheet from running cells as formulas."""
    return (
        cells.with_columns(pl.col(pl.String).str.strip_prefix("'"))
        if file_name.startswith(CORRECTIONS_PREFIX)
        else cells
    )


def without_empty(cells: pl.DataFrame, sources: list[str]) -> pl.DataFrame:
    """Drop empty rows, which have no value in any of the columns read."""
    if not sources or not cells.height or cells[sources[0]].null_count() == 0:
        return cells
    return cells.filter(pl.any_horizontal(pl.col(sources).is_not_null()))
