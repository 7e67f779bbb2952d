"""Labels of a map: names beside marks where they cover neither other names nor marks."""

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

FONT = 120
"""Height of text in drawing units on a phone; wider screens show it smaller, so that labels never grow together."""
MAX_NAME = 16
WIDE = {"W", "F"}
NEAR, FAR = (55.0, 110.0), (220.0, 360.0)
"""Distances of a label from its mark; a line joins it to its mark if it is far."""
SIDES = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))


@dataclass(frozen=True)
class Box:
    """Rectangle in drawing units."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: "Box") -> bool:
        """Return True if two rectangles overlap."""
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


@dataclass(frozen=True)
class MapLabel:
    """Name on a map: middle of its text, and the mark that a line joins it to (None if it is beside its mark)."""

    text: str
    x: float
    y: float
    joined_to: tuple[float, float] | None = None


def box_about(x: float, y: float, size: float) -> Box:
    """Return a square about a point."""
    return Box(x - size / 2, y - size / 2, x + size / 2, y + size / 2)


def short_name(name: str) -> str:
    """Return a name of at most `MAX_NAME` characters.

    >>> short_name("M07"), short_name("machine 1234567 of the south")
    ('M07', 'machine 1234567…')
    """
    return name if len(name) <= MAX_NAME else name[: MAX_NAME - 1] + "\u2026"


def text_width(text: str) -> float:
    """Return the approximate width of a text in drawing units, from above."""
    return FONT * sum(1.05 if unicodedata.east_asian_width(c) in WIDE else 0.64 for c in text)


class LabelPlacer:
    """Placer of labels within a drawing, in order of importance."""

    def __init__(self, width: float, height: float, taken: Sequence[Box]) -> None:
        self.drawing = Box(0, 0, width, height)
        self.taken = list(taken)

    def _is_free(self, box: Box, avoid: Sequence[Box]) -> bool:
        whole = self.drawing
        is_inside = (
            box.left >= whole.left and box.right <= whole.right and box.top >= whole.top and box.bottom <= whole.bottom
        )
        return is_inside and not any(box.meets(b) for b in (*self.taken, *avoid))

    def place(
        self, name: str, at: tuple[float, float], *, gaps: Sequence[float] = NEAR, avoid: Sequence[Box] = ()
    ) -> MapLabel | None:
        """Return the label of a mark in the first free place around it; None if there is none.

        Args:
            name: the name; long ones are shortened.
            at: position of the mark.
            gaps: distances to try, nearest first.
            avoid: rectangles that this label must not cover, besides all marks and earlier labels.
        """
        text = short_name(name)
        half_width, half_height = text_width(text) / 2, FONT * 0.6
        for gap in gaps:
            for right, down in SIDES:
                x = at[0] + right * (gap + half_width)
                y = at[1] + down * (gap + half_height)
                box = Box(x - half_width, y - half_height, x + half_width, y + half_height)
                if self._is_free(box, avoid):
                    self.taken.append(box)
                    return MapLabel(text, round(x), round(y), at if gap in FAR else None)
        return None
