"""District map: fields coloured by dirt against expected, machines and factories, without tiles or network."""

from dataclasses import dataclass
from typing import ClassVar, Literal

from reports.page.map_labels import MapLabel
from reports.page.tables import Table

Level = Literal[-2, -1, 0, 1, 2]
"""Class of a difference: much cleaner, cleaner, as expected, dirtier, much dirtier."""


@dataclass(frozen=True)
class MapField:
    """Field on a map.

    Attributes:
        path: outline as data of an SVG path, drawing units.
        x: eastward centre, drawing units.
        y: downward centre, drawing units.
        side: longer side of the outline, drawing units.
        level: class of its dirt against expected; None without measured loads.
        is_pale: True if few loads are measured.
        text: its name and numbers in one line.
        row: index of its row in the map's first table; None if it has none.
    """

    path: str
    x: float
    y: float
    side: float
    level: Level | None
    is_pale: bool
    text: str
    row: int | None


@dataclass(frozen=True)
class MapMark:
    """Machine or factory on a map, drawing units; `text` is its name, with the time for a machine."""

    kind: Literal["machine", "site"]
    x: float
    y: float
    text: str


@dataclass(frozen=True)
class MapDrawing:
    """Drawing of a district.

    Attributes:
        height: height of the map without its legend, drawing units.
        fields: fields; later ones are drawn above earlier ones.
        marks: machines and factories.
        labels: names.
        scale: length of the scale bar in drawing units, and its text.
        cut_points: texts of the four limits between the five classes, lowest first.
    """

    height: int
    fields: tuple[MapField, ...]
    marks: tuple[MapMark, ...]
    labels: tuple[MapLabel, ...]
    scale: tuple[float, str]
    cut_points: tuple[str, ...]


@dataclass(frozen=True)
class DistrictMap:
    """Map with the sentence it supports, reading instructions and its numbers.

    Attributes:
        id: unique on the page.
        title: name of the map, for screen readers.
        finding: sentence generated from the numbers.
        reading: instructions for reading colours and marks.
        notes: sentences on the rule of the finding, and on data that are missing or not drawn.
        drawing: the drawing; None if no field has a position.
        tables: numbers of the fields, and places of the machines.
        is_small: True for a small map below the answer of a page: its notes are folded with its numbers, and on paper
            it takes what its sheet has left.
    """

    kind: ClassVar[str] = "district-map"
    id: str
    title: str
    finding: str
    reading: str
    notes: tuple[str, ...]
    drawing: MapDrawing | None
    tables: tuple[Table, ...]
    is_small: bool = False

    @property
    def has_links(self) -> bool:
        """True if fields link to their loads."""
        return any(c.href for t in self.tables for r in t.rows for c in r.cells)
