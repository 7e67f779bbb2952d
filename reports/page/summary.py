"""Blocks that answer a page's question at a glance: tiles, ranked rows, bars in parts, grids, strips and page links."""

from dataclasses import dataclass
from typing import ClassVar, Literal

Tone = Literal["better", "worse", "same", "plain"]
"""Meaning of a tile's colour; its arrow and word say the same, so that colour is never the only sign."""
Arrow = Literal["up", "down", "none"]


@dataclass(frozen=True)
class Tile:
    """Number at a glance.

    Attributes:
        label: name of the quantity with its unit.
        value: the number.
        before: the number it replaces; None for a single number.
        word: the change in a word, such as "less", or the range of the number.
        arrow: direction of the change.
        tone: meaning of the change.
        is_pale: True if few rows are behind it; the word says so.
    """

    label: str
    value: str
    before: str | None = None
    word: str = ""
    arrow: Arrow = "none"
    tone: Tone = "plain"
    is_pale: bool = False


@dataclass(frozen=True)
class Tiles:
    """Tiles side by side; two fit on a phone."""

    kind: ClassVar[str] = "tiles"
    tiles: tuple[Tile, ...]


@dataclass(frozen=True)
class BarRow:
    """Ranked row: a name, a bar with its value, and what to do in large type.

    Attributes:
        title: name of the machine or subject.
        href: page or anchor with the evidence; None for none.
        detail: small text beside the name, such as field and topsoil.
        share: length of the bar, 0 to 1.
        worth: value of the bar, with its unit.
        action: setting to change, or a short sentence.
        before: present value; empty if the action has no values.
        after: value to set, with its unit.
        more: small text after the action, such as the number of further moves.
        is_pale: True if few loads are behind it; the detail says so.
        more_sign: sign that replaces `more`, such as "+2"; screen readers have the text.
    """

    title: str
    href: str | None
    detail: str
    share: float
    worth: str
    action: str = ""
    before: str = ""
    after: str = ""
    more: str = ""
    is_pale: bool = False
    more_sign: str = ""


@dataclass(frozen=True)
class BarRows:
    """Ranked rows; rows after `first` are folded under the text `more`."""

    kind: ClassVar[str] = "bars"
    rows: tuple[BarRow, ...]
    first: int = 4
    more: str = ""


@dataclass(frozen=True)
class Strip:
    """Amber strip: a condition under which the page's answer would change; `link` is (text, target)."""

    kind: ClassVar[str] = "strip"
    text: str
    link: tuple[str, str] | None = None


@dataclass(frozen=True)
class PageLink:
    """Link to another page, with a few words on its contents."""

    text: str
    href: str
    about: str = ""


@dataclass(frozen=True)
class PageLinks:
    """Links to other pages, as large as a thumb; on paper only if `on_paper`, as a list."""

    kind: ClassVar[str] = "links"
    links: tuple[PageLink, ...]
    on_paper: bool = False


@dataclass(frozen=True)
class BarPart:
    """Part of a bar, with its line in the list below it.

    Attributes:
        label: name of the part.
        value: its amount with unit.
        share: its share of the bar, 0 to 1.
        about: small text, such as interval and n.
        is_assumed: True if hatched, because it is assumed and not measured.
    """

    label: str
    value: str
    share: float
    about: str = ""
    is_assumed: bool = False


@dataclass(frozen=True)
class PartBar:
    """Whole as one bar in parts, from left to right; `alt` describes it for screen readers."""

    kind: ClassVar[str] = "parts"
    parts: tuple[BarPart, ...]
    alt: str


@dataclass(frozen=True)
class GridCell:
    """Cell of a grid.

    Attributes:
        value: large text.
        about: small texts below it, such as interval and n.
        strength: strength of its colour, 0 to 4.
        is_pale: True if shown without colour, because too few rows are behind it.
        href: link to the rows behind it.
    """

    value: str
    about: tuple[str, ...]
    strength: int = 0
    is_pale: bool = False
    href: str | None = None


@dataclass(frozen=True)
class Grid:
    """Coloured grid of a value by two classes.

    Attributes:
        id: unique on the page.
        corner: name of the rows.
        columns: column headers.
        rows: header and cells of each row.
        caption: quantity with its unit, and the meaning of colour and small text.
    """

    kind: ClassVar[str] = "grid"
    id: str
    corner: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[GridCell, ...]], ...]
    caption: str


@dataclass(frozen=True)
class CabCard:
    """Card for the cab of one machine, printed on a sheet of its own in large type.

    Attributes:
        machine: the machine.
        where: field and conditions.
        moves: (setting, present value, value to set, step between them) of each; empty to leave everything as it is.
        note: sentence below the moves; large if there are none.
        caution: the usual cautions.
    """

    machine: str
    where: str
    moves: tuple[tuple[str, str, str, str], ...]
    note: str
    caution: str
