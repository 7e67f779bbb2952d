"""Order of the columns of an invented file, headers above several of them, and values that no column contains."""

import datetime as dt
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from tests.validation.dialects.build_columns import ColumnBuilder
from tests.validation.dialects.extras import draw_extras
from tests.validation.dialects.kind_columns import GROUPS, SECOND_GROUPS
from tests.validation.dialects.style import Style
from tests.validation.dialects.truth import Constant, FileColumn, Row

PLACES = {
    "machine_id": (("telemetry",), ("column", "column", "file_name", "preamble", "nowhere")),
    "station_id": (("weather_hour", "weather_day", "forecast_hour"), ("column", "column", "file_name", "preamble")),
    "site_id": (("load",), ("column", "column", "column", "nowhere")),
    "issued_at": (("forecast_hour",), ("column", "column", "preamble", "nowhere")),
}
"""Column -> (kinds, places where its value may be)."""
SENSORS = (
    "topper_speed_rpm",
    "scalper_height_mm",
    "transfer_web_speed_pct",
    "intake_roller_height_mm",
    "separator_1_height_mm",
)


def draw_constants(rng: Random, kind: str, columns: list[str], rows: list[Row], zone: str) -> dict[str, Constant]:
    """Draw which values are not in columns: ids in the file name or above the header, or known to the office only."""
    constants = {}
    for column in columns:
        kinds, places = PLACES.get(column, ((), ("column",)))
        place = rng.choice(places)
        if kind not in kinds or place == "column":
            continue
        value = rows[0][column]
        text = str(value)
        if isinstance(value, dt.datetime):
            value = value.replace(second=0, microsecond=0)
            text = value.astimezone(ZoneInfo(zone)).strftime("%d.%m.%Y %H:%M")
        constants[column] = Constant(value, place, text)
    return constants


def without_sensors(rng: Random, rows: list[Row], columns: list[str]) -> list[Row]:
    """Return telemetry in which one machine may lack a sensor."""
    candidates = [c for c in SENSORS if c in columns]
    machines = sorted({r["machine_id"] for r in rows})
    if len(machines) < 2 or not candidates or rng.random() < 0.4:
        return rows
    machine, sensor = rng.choice(machines), rng.choice(candidates)
    return [{**r, sensor: None} if r["machine_id"] == machine else r for r in rows]


def built(builder: ColumnBuilder, columns: list[str], *, rng: Random) -> list[FileColumn]:
    """Return the columns of a file in the order of an office, with columns that nobody needs between them."""
    beside_truck = "truck_full_t" in columns
    blocks = [builder.build(c, beside_truck=beside_truck and c == "delivered_t") for c in columns]
    if rng.random() < 0.45:
        rng.shuffle(blocks)
    for extra in draw_extras(builder):
        blocks.insert(rng.randint(0, len(blocks)), [extra])
    return [column for block in blocks for column in block]


def grouped(columns: list[FileColumn], style: Style) -> list[FileColumn]:
    """Return the columns with headers above some of them, whose members are moved side by side."""
    out = list(columns)
    groups = GROUPS | SECOND_GROUPS if style.lexicon.is_second else GROUPS
    for key, members in groups.items():
        inside = [c for c in out if c.meanings and c.meanings[0].column in members]
        if len(inside) < 2:
            continue
        title, first = style.lexicon.group(key), out.index(inside[0])
        before = [c for c in out[:first] if c not in inside]
        after = [c for c in out[first:] if c not in inside]
        for column in inside:
            column.group = title
            side = column.meanings[0].part
            column.name = column.name.rsplit(" ", 1)[1] if side in {"left", "right"} else column.name
        out = [*before, *inside, *after]
    return out


def numbered(columns: list[FileColumn], style: Style) -> list[FileColumn]:
    """Return the columns with their numbers in the headers, if the style has them."""
    for i, column in enumerate(columns, 1):
        if style.number_pattern:
            column.name = style.number_pattern.format(i=i, name=column.name)
    return columns


def totals_row(columns: list[FileColumn], word: str) -> list[Any]:
    """Return a last row with a word for totals and the sums of masses."""
    cells: list[Any] = [None] * len(columns)
    cells[0] = word
    for i, column in enumerate(columns[1:], 1):
        if column.meanings and column.meanings[0].column.endswith("_t"):
            cells[i] = round(sum(c for c in column.cells if c is not None), column.decimals)
    return cells
