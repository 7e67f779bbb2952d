"""Writes ISO 11783-10 task data from the standard's own description, knowing nothing of the reader.

A record is packed field by field as annex D lays it out: time of day and date, the position fields the header leaves
empty, the count, then index and value of each value reported.
"""

import datetime as dt
import struct
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np

EPOCH = dt.datetime(1980, 1, 1)  # noqa: DTZ001
PTN = {"A": "<i", "B": "<i", "C": "<i", "D": "<B", "E": "<H", "F": "<H", "G": "<B", "H": "<I", "I": "<H"}


@dataclass
class Value:
    """A value of a log: dictionary number, element, and what the device says of it."""

    ddi: int
    element: str = "DET-1"
    constant: int | None = None
    designator: str = ""
    scale: tuple[float, float, str] | None = None


@dataclass
class Moment:
    """A record: local time, position fields by letter, and raw values by their index."""

    at: dt.datetime
    position: dict[str, int] = field(default_factory=dict)
    values: dict[int, int] = field(default_factory=dict)


def record(moment: Moment, letters: str) -> bytes:
    """Pack one record."""
    since = moment.at - EPOCH
    ms = since.seconds * 1000 + since.microseconds // 1000
    out = struct.pack("<IH", ms, since.days)
    for letter in letters:
        out += struct.pack(PTN[letter], moment.position.get(letter, 0))
    out += struct.pack("<B", len(moment.values))
    for index, value in moment.values.items():
        out += struct.pack("<Bi", index, value)
    return out


def log_header(values: list[Value], letters: str, constants: dict[str, str] | None = None) -> str:
    """The XML header of a log."""
    position = {**dict.fromkeys(letters, ""), **(constants or {})}
    ptn = "".join(f' {k}="{v}"' for k, v in sorted(position.items()))
    dlv = "".join(
        f'<DLV A="{v.ddi:04X}" B="{"" if v.constant is None else v.constant}" C="{v.element}"/>' for v in values
    )
    return f'<?xml version="1.0" encoding="UTF-8"?><TIM A="" D="4"><PTN{ptn}/>{dlv}</TIM>'


def device(
    values: list[Value], name: str = "Harvester", serial: str = "7", elements: dict[str, str] | None = None
) -> str:
    """A device with an object for each value that has a designator or a scale."""
    named = elements or {"DET-1": "machine"}
    parts: list[str] = []
    refs: dict[str, list[int]] = {e: [] for e in named}
    for i, v in enumerate(values):
        if v.scale is not None:
            offset, factor, unit = v.scale
            parts.append(f'<DVP A="{100 + i}" B="{offset}" C="{factor}" D="1" E={quoteattr(unit)}/>')
        link = f' F="{100 + i}"' if v.scale is not None else ""
        parts.append(f'<DPD A="{200 + i}" B="{v.ddi:04X}" C="1" D="8" E={quoteattr(v.designator)}{link}/>')
        refs.setdefault(v.element, []).append(200 + i)
    dets = "".join(
        f'<DET A="{e}" B="{n}" C="1" D={quoteattr(named.get(e, e))} E="0" F="0">'
        + "".join(f'<DOR A="{r}"/>' for r in refs[e])
        + "</DET>"
        for n, e in enumerate(refs, start=1)
    )
    objects = "".join(parts)
    return f'<DVC A="DVC-1" B={quoteattr(name)} C="1" D="A000000000000000" E={quoteattr(serial)}>{dets}{objects}</DVC>'


def task_data(inner: str, version: str = "3") -> str:
    """TASKDATA.XML around its elements."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><ISO11783_TaskData VersionMajor="{version}" VersionMinor="0" '
        f'DataTransferOrigin="2">{inner}</ISO11783_TaskData>'
    )


def task(stems: Iterable[str], began: str = "") -> str:
    """A task with logs, each after a time entry."""
    return '<TSK A="TSK1" G="4">' + "".join(f'<TIM A="{began}" D="4"/><TLG A="{s}" C="1"/>' for s in stems) + "</TSK>"


def write_set(
    folder: Path,
    moments: list[Moment],
    values: list[Value],
    letters: str = "ABD",
    *,
    began: str = "",
    extra: str = "",
    tail: bytes = b"",
    version: str = "3",
    elements: dict[str, str] | None = None,
) -> Path:
    """Write a folder with one task, one device and one log."""
    folder.mkdir(parents=True, exist_ok=True)
    inner = extra + device(values, elements=elements) + task(["TLG00001"], began)
    (folder / "TASKDATA.XML").write_text(task_data(inner, version), "utf-8")
    (folder / "TLG00001.XML").write_text(log_header(values, letters), "utf-8")
    (folder / "TLG00001.BIN").write_bytes(b"".join(record(m, letters) for m in moments) + tail)
    return folder


def zipped(folder: Path, target: Path, inside: str = "TASKDATA/") -> Path:
    """Pack a folder as machines' displays do."""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                archive.write(path, inside + path.relative_to(folder).as_posix())
    return target


def long_log(path: Path, records: int, values: int, seed: int = 1) -> np.dtype:
    """Stream a long log of equal records to disk, for benchmarks; returns the type of a record."""
    kind = np.dtype(
        [
            ("ms", "<u4"),
            ("day", "<u2"),
            ("lat", "<i4"),
            ("lon", "<i4"),
            ("status", "u1"),
            ("n", "u1"),
            ("v", [("i", "u1"), ("x", "<i4")], (values,)),
        ]
    )
    rng = np.random.default_rng(seed)
    with path.open("wb") as handle:
        for start in range(0, records, 100_000):
            n = min(100_000, records - start)
            rows = np.zeros(n, kind)
            tick = (np.arange(start, start + n, dtype=np.int64)) * 200 + 6 * 3_600_000
            rows["ms"], rows["day"] = tick % 86_400_000, 16_710 + tick // 86_400_000
            rows["lat"], rows["lon"] = (
                500_000_000 + rng.integers(-9_000, 9_000, n),
                150_000_000 + rng.integers(-9_000, 9_000, n),
            )
            rows["n"] = values
            rows["v"]["i"] = np.arange(values)
            rows["v"]["x"] = rng.integers(0, 3_000, (n, values))
            handle.write(rows.tobytes())
    return kind
