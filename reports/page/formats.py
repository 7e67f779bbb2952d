"""What a page is written as."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Forms:
    """What a page is written as besides HTML."""

    pdf: bool = False
    xlsx: bool = False


HTML = Forms()
"""The page alone."""
