"""Reader of tracks in GPX 1.1 (and 1.0): each track point is a row.

Only points of tracks are read, with the name and number of their track; names of people, links and waypoints are
dropped. The file is parsed as it streams in, so that its size does not matter, and a file that a recorder cut short
keeps the points before the cut.
"""

import re
from collections.abc import Callable, Iterator
from functools import partial
from itertools import chain
from pathlib import Path
from xml.etree.ElementTree import ParseError

import polars as pl
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE, Chunk, Source, empty_rejections, rejected_rows
from transforms.ingest.mapping import Mapping

BLOCK_BYTES = 1 << 18
PIECE_POINTS = 50_000
MAX_DEPTH, MAX_ATTRIBUTES = 100, 100
MAX_TAG_BYTES = 1 << 16
"""Maximum bytes from one tag to the next; no position needs more."""
MAX_TEXT = 400
COLUMNS = ("track", "number", "time", "lat", "lon", "speed")
"""Columns of every track point: name of its track (its number if it has no name), number of its track, time in UTC,
position in degrees, and speed in m/s, which some receivers add."""
UNITS = {"lat": "deg", "lon": "deg", "speed": "m/s"}
TIME = re.compile(r"^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(\.\d+)?(Z|[+-]\d\d:?\d\d)?$")
Point = dict[str, str | None]


class _TooLargeError(Exception):
    """Error of XML that is nested deeper or has longer tags than any track."""


class _Points:
    """Parser target that collects the track points of a file."""

    def __init__(self) -> None:
        self.found: list[Point] = []
        self.path: list[str] = []
        self.track: Point = {}
        self.point: Point | None = None
        self.text: list[str] = []

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Process the start of an element."""
        self.path.append(tag.rsplit("}", 1)[-1])
        if len(self.path) > MAX_DEPTH or len(attributes) > MAX_ATTRIBUTES:
            raise _TooLargeError
        if len(self.path) == 1 and self.path != ["gpx"]:
            raise ParseError(f"it begins with <{tag[:40]}>")
        self.text = []
        if self.path[-1] == "trk":
            self.track = {}
        elif self.path[-1] == "trkpt":
            self.point = {"lat": attributes.get("lat"), "lon": attributes.get("lon")}

    def data(self, text: str) -> None:
        """Process text."""
        if sum(map(len, self.text)) < MAX_TEXT:
            self.text.append(text)

    def end(self, _tag: str) -> None:
        """Process the end of an element."""
        name, text = self.path.pop(), "".join(self.text).strip()[:MAX_TEXT]
        self.text = []
        if name == "trkpt" and self.point is not None:
            number = self.track.get("number")
            self.found.append({"track": self.track.get("name") or number, "number": number, **self.point})
            self.point = None
        elif self.point is not None and name in {"time", "speed"}:
            self.point[name] = text or None
        elif self.path[-1:] == ["trk"] and name in {"name", "number"}:
            self.track[name] = text or None

    def close(self) -> None:
        """Process the end of the file."""


class _Cut(Exception):  # noqa: N818
    """End of what can be read of a file, with its reason."""

    def __init__(self, rule: str, why: Reason) -> None:
        self.rule, self.why = rule, why
        super().__init__(rule, why)


def open_gpx(path: Path, mapping: Mapping) -> Source:  # noqa: ARG001
    """Open a GPX file; each point of a track is a row.

    Raises:
        SourceFileError: the file is not GPX, declares a document type, or has no point of a track.
    """
    return Source("", _pieces(path))


def gpx_rows(path: Path) -> pl.DataFrame:
    """Return the first track points, for a file without a mapping.

    Raises:
        SourceFileError: the file is not GPX, declares a document type, or has no point of a track.
    """
    return next(_pieces(path))().cells


def _pieces(path: Path) -> Iterator[Callable[[], Chunk]]:
    """Return the chunks of a file; the first is read at once, so that a file of another kind is refused when opened.

    Raises:
        SourceFileError: the file is not GPX, declares a document type, or has no point of a track.
    """
    pieces = _batches(path)
    first = next(pieces)
    if not first[0]:
        cut = first[1] or _Cut("not_gpx", reason("gpx_without_points"))
        raise SourceFileError(cut.rule, cut.why)
    return (partial(_chunk, *batch) for batch in chain([first], pieces))


def _batches(path: Path) -> Iterator[tuple[list[Point], _Cut | None]]:
    """Yield batches of points; the last one has the reason if the rest of the file cannot be read."""
    target = _Points()
    parser = DefusedXMLParser(target=target, forbid_dtd=True)
    cut = None
    with path.open("rb") as handle:
        try:
            for block in _blocks(iter(partial(handle.read, BLOCK_BYTES), b"")):
                _feed(parser, block)
                if len(target.found) >= PIECE_POINTS:
                    yield target.found, None
                    target.found = []
            _feed(parser, None)
        except _Cut as problem:
            cut = problem
    yield target.found, cut


def _blocks(blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Yield blocks up to the first overlong tag or text.

    Raises:
        _Cut: there is an overlong tag or text, of which the parser would hold several copies.
    """
    since = 0
    for block in blocks:
        pieces = block.split(b"<")
        longest = max([since + len(pieces[0]), *map(len, pieces[1:])])
        since = len(pieces[-1]) if len(pieces) > 1 else since + len(block)
        if longest > MAX_TAG_BYTES:
            raise _Cut("xml_too_large", reason("xml_element_too_long", max_bytes=MAX_TAG_BYTES))
        yield block


def _feed(parser: DefusedXMLParser, block: bytes | None) -> None:
    """Parse a block, or the end of the file.

    Raises:
        _Cut: the file cannot be read from here on.
    """
    try:
        if block is None:
            parser.close()
        else:
            parser.feed(block)
    except DefusedXmlException as problem:
        raise _Cut("xml_doctype", reason("gpx_doctype")) from problem
    except _TooLargeError as problem:
        raise _Cut("xml_too_large", reason("gpx_too_deep", max_depth=MAX_DEPTH)) from problem
    except (ParseError, ValueError, LookupError) as problem:
        raise _Cut("not_gpx", reason("gpx_damaged", detail=str(problem)[:80])) from problem


def _chunk(points: list[Point], cut: _Cut | None) -> Chunk:
    """Return the rows of a batch of points; what cannot be read of the file is one rejected row."""
    cells = pl.DataFrame(points, schema=dict.fromkeys(COLUMNS, pl.String), orient="row")
    cells = cells.with_columns(pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias(LINE))
    times = pl.Series([_utc_text(p.get("time")) for p in points], dtype=pl.String)
    at = times.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%z", strict=False, time_unit="us", time_zone="UTC")
    cells = cells.with_columns(at.alias("time"))
    is_bad = (at.is_null() & pl.Series([p.get("time") is not None for p in points], dtype=pl.Boolean)).alias("bad")

    def raw(lines: list[int]) -> list[str]:
        return [_raw(points[n - 1]) if n <= len(points) else "" for n in lines]

    bad = cells.filter(is_bad)[LINE].to_list()
    rejected = [empty_rejections(), rejected_rows(bad, "logged_at", raw(bad), "not_a_time", reason("gpx_time"))]
    if cut is not None:
        rejected.append(rejected_rows([len(points) + 1], None, [""], cut.rule, cut.why))
    lines = len(points) + (cut is not None)
    return Chunk(cells.filter(~is_bad), lines, raw, pl.concat(rejected), units=UNITS)


def _utc_text(text: str | None) -> str | None:
    """Return a time of XML Schema with its offset; one without an offset is in UTC, as GPX demands."""
    found = TIME.match(text or "")
    if found is None:
        return None
    zone = "+0000" if found.group(3) in {None, "Z"} else found.group(3).replace(":", "")
    return f"{found.group(1)}{(found.group(2) or '')[:7]}{zone}"


def _raw(point: Point) -> str:
    """Return a track point as short XML text, with the track that contains it."""
    attributes = " ".join(f'{k}="{v}"' for k in ("track", "lat", "lon") if (v := point.get(k)) is not None)
    inner = "".join(f"<{k}>{v}</{k}>" for k in ("time", "speed") if (v := point.get(k)) is not None)
    return f"<trkpt {attributes}>{inner}</trkpt>"
