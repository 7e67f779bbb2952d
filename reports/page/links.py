"""Links between sections and pages."""

import datetime as dt
from dataclasses import dataclass
from urllib.parse import quote

from transforms.contracts.naming import safe_name

FOLLOWED_PAGE = "followed.html"
"""Page on the advice of the season and what became of it."""


def machine_anchor(machine: str) -> str:
    """Return the anchor of a machine's card.

    >>> machine_anchor("M 7")
    'm-M_7-x0258d7b668b'
    """
    return f"m-{safe_name(machine)}"


def loads_link(page: str = "", **marks: str) -> str:
    """Return the link to a list of loads filtered by marks, with values encoded: ids may contain any character."""
    return f"{page}#loads/" + "&".join(f"{k}={quote(v, safe='')}" for k, v in marks.items())


@dataclass(frozen=True)
class ShiftPages:
    """File names of the pages of one shift: the first page, and the pages with its evidence."""

    first: str
    machines: str
    loads: str
    effects: str
    received: str
    prices: str


def shift_pages(shift: dt.date | None) -> ShiftPages:
    """Return the file names of the pages of a shift.

    >>> shift_pages(dt.date(2025, 10, 31)).loads
    'shift-2025-10-31-loads.html'
    """
    stem = f"shift-{shift or 'none'}"
    parts = ("machines", "loads", "effects", "received", "prices")
    return ShiftPages(f"{stem}.html", *(f"{stem}-{part}.html" for part in parts))
