"""Output formats of a page."""

from dataclasses import dataclass


@dataclass(frozen=True)
class OutputFormats:
    """Formats in which a page is written besides HTML."""

    pdf: bool = False
    xlsx: bool = False


HTML = OutputFormats()
"""HTML only."""
