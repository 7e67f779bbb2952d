"""Thousands of wrong variants of a valid season file and of valid mappings: the same ones in every run."""

import copy
import datetime as dt
import json
import math
from collections.abc import Iterator
from typing import Any

GARBAGE: list[Any] = [
    "",
    " ",
    "x",
    "1",
    "\x1b[31mred",
    "a\x00b",
    "\u202egnp",
    "=1+1",
    "Z\u00fcrich",
    "9" * 2000,
    "Mon 25:61",
    "2025-13-45",
    0,
    1,
    -1,
    7,
    10**12,
    10**40,
    -(10**18),
    0.5,
    1.5,
    -0.25,
    91.0,
    181.0,
    1e308,
    math.nan,
    math.inf,
    -math.inf,
    True,
    False,
    [],
    [1],
    ["a", "a"],
    [["a"]],
    [{}],
    {},
    {"a": 1},
    {"a": {"b": []}},
    {"": ""},
    dt.date(2025, 10, 17),
    dt.time(6, 30),
    dt.datetime(2025, 10, 17, 6),  # noqa: DTZ001
    dt.datetime(2025, 10, 17, 6, tzinfo=dt.UTC),
    dt.datetime.max.replace(tzinfo=dt.timezone(-dt.timedelta(hours=23))),
]
UNKNOWN = ["name_", "NAME", "", "x.y", "kind ", "\u202ex", "a" * 300]


def paths(table: dict[str, Any], above: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield the path of every key of a table and of the tables in it."""
    for key, value in table.items():
        yield (*above, key)
        if isinstance(value, dict):
            yield from paths(value, (*above, key))


def _holder(table: dict[str, Any], path: tuple[str, ...]) -> dict[str, Any]:
    for key in path[:-1]:
        table = table[key]
    return table


def variants(valid: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each variant with its name: a wrong value for each key, a key gone, a key more, a key renamed."""
    for path in paths(valid):
        for number, garbage in enumerate(GARBAGE):
            made = copy.deepcopy(valid)
            _holder(made, path)[path[-1]] = copy.deepcopy(garbage)
            yield f"{'.'.join(path)} = garbage {number}", made
        made = copy.deepcopy(valid)
        del _holder(made, path)[path[-1]]
        yield f"{'.'.join(path)} gone", made
        for name in (path[-1] + "s", path[-1].upper(), path[-1][:-1]):
            made = copy.deepcopy(valid)
            holder = _holder(made, path)
            holder[name] = holder.pop(path[-1])
            yield f"{'.'.join(path)} renamed {name}", made
    tables = [(), *(p for p in paths(valid) if isinstance(_holder(valid, p)[p[-1]], dict))]
    for path in tables:
        for number, key in enumerate(UNKNOWN):
            for garbage in (GARBAGE[2], 3, {"a": 1}):
                made = copy.deepcopy(valid)
                _holder(made, (*path, ""))[key] = copy.deepcopy(garbage)
                yield f"{'.'.join(path)} with unknown key {number}", made


def toml(table: dict[str, Any]) -> str:
    """Return a table as TOML: tables inline, one key a line."""
    return "".join(f"{_quoted(key)} = {_value(value)}\n" for key, value in table.items())


def _quoted(text: str) -> str:
    return json.dumps(text).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_quoted(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    return _quoted(value) if isinstance(value, str) else repr(value)
