"""Output formats of a page."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Forms:
    """Formats in which a page is written besides HTML."""

    pdf: bool = False
    xlsx: bool = False


HTML = Forms()
"""HTML only."""
