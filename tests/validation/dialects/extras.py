"""Columns of invented files that nobody needs."""

import datetime as dt
from typing import Any

from tests.validation.dialects.build_columns import ColumnBuilder
from tests.validation.dialects.kind_columns import EXTRAS
from tests.validation.dialects.second_extras import draw_second_extras
from tests.validation.dialects.truth import FileColumn, Meaning

TRUCKS = {"truck", "plate"}
"""Columns of a ticket that tracing can use, though it needs none."""


def draw_extras(builder: ColumnBuilder) -> list[FileColumn]:
    """Draw columns that nobody needs in a file of the builder's kind."""
    style = builder.style
    made = draw_second_extras(builder) if style.lexicon.is_second else _draw(builder)
    form = style.time.date or "%Y-%m-%d"
    for column in made:
        if builder.is_text:
            column.cells = [c.strftime(form) if isinstance(c, dt.date) else c for c in column.cells]
    return made


def _draw(builder: ColumnBuilder) -> list[FileColumn]:
    n, rng, style = len(builder.rows), builder.rng, builder.style
    cells: dict[str, list[Any]] = {
        "truck": [f"{rng.randint(1, 40)}" for _ in range(n)],
        "line": list(range(1, n + 1)),
        "driver": [f"D{rng.randint(1, 60):02d}" for _ in range(n)],
        "remark": [rng.choice([None, None, "ok", "?"]) for _ in range(n)],
        "plate": [f"{rng.choice('BKLP')}{rng.choice('ACX')} {rng.randint(1000, 9999)}" for _ in range(n)],
        "price": [rng.choice([38.5, 40.25, 41.0]) for _ in range(n)],
        "due": [dt.date(2026, 1, 1) + dt.timedelta(days=rng.randint(0, 90)) for _ in range(n)],
        "engine": [round(rng.uniform(55, 95), 1) for _ in range(n)],
    }
    wanted = [k for k in EXTRAS[builder.kind] if rng.random() < style.extra_share]
    made = [FileColumn(style.lexicon.unneeded(k), cells[k], decimals=0 if k == "line" else 2) for k in wanted]
    for key, column in zip(wanted, made, strict=True):
        if builder.kind == "load" and key in TRUCKS:
            column.meanings, column.is_optional = (Meaning("load", "truck_id"),), True
    return made
