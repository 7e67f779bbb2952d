"""Streams the features of a GeoJSON file: memory follows one feature, not the file."""

import codecs
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

from transforms.errors import SourceFileError

READ_BYTES = 1 << 20
SPACE = re.compile(r"[ \t\r\n]*")
MAX_VALUE_CHARACTERS = 16 << 20
"""Length of one feature, or of one other member of the file: an outline of 200,000 points is half as long."""


@dataclass(frozen=True)
class Feature:
    """One feature: the value parsed, and its text in the file."""

    value: Any
    text: str


class _Text:
    """The text of a JSON file, read as far as needed and dropped once it is parsed."""

    def __init__(self, handle: BinaryIO) -> None:
        self.handle, self.decoder = handle, codecs.getincrementaldecoder("utf-8-sig")()
        self.parse = json.JSONDecoder().raw_decode
        self.text, self.at, self.is_whole = "", 0, False

    def _read(self) -> bool:
        """Read on, as much again as there is; return False at the end of the file."""
        if self.is_whole:
            return False
        data = self.handle.read(max(READ_BYTES, len(self.text) - self.at))
        self.is_whole = not data
        self.text = self.text[self.at :] + self.decoder.decode(data, final=self.is_whole)
        self.at = 0
        return True

    def peek(self) -> str:
        """Return the next character that is not white space; empty at the end of the file."""
        while True:
            spaces = SPACE.match(self.text, self.at)
            self.at = spaces.end() if spaces is not None else self.at
            if self.at < len(self.text) or not self._read():
                return self.text[self.at : self.at + 1]

    def skip(self, characters: str) -> str:
        """Skip one of these characters and return it.

        Raises:
            ValueError: another one comes next.
        """
        found = self.peek()
        if not found or found not in characters:
            raise ValueError(f"expected one of {characters} before '{self.text[self.at : self.at + 20]}'")
        self.at += 1
        return found

    def value(self) -> tuple[Any, str]:
        """Return the next value and its text.

        Raises:
            ValueError: it is not JSON.
            SourceFileError: it is longer than any feature.
        """
        self.peek()
        while True:
            try:
                value, end = self.parse(self.text, self.at)
            except json.JSONDecodeError:
                # A value that goes on behind the text read so far looks damaged too.
                if len(self.text) - self.at > MAX_VALUE_CHARACTERS:
                    raise SourceFileError(
                        "too_long", f"a feature is longer than {MAX_VALUE_CHARACTERS >> 20} million characters"
                    ) from None
                if not self._read():
                    raise
                continue
            if end < len(self.text) or not self._read():
                text = self.text[self.at : end]
                self.at = end
                return value, text

    def items(self, closing: str) -> Iterator[None]:
        """Yield once before each item of a list or object, whose opening character has been skipped."""
        if self.peek() == closing:
            self.skip(closing)
            return
        while True:
            yield
            if self.skip("," + closing) == closing:
                return


class FeatureFile:
    """The features of a FeatureCollection, one after the other.

    Attributes:
        has_features: a list of features was found.
        crs: the member `crs`, None if there is none. Both are complete once every feature was read.
    """

    def __init__(self, handle: BinaryIO) -> None:
        self.text = _Text(handle)
        self.has_features = False
        self.crs: Any = None

    def __iter__(self) -> Iterator[Feature]:
        """Yield the features in the order of the file.

        Raises:
            ValueError: the file is not JSON.
            RecursionError: it is nested too deeply.
            SourceFileError: a feature is longer than any outline.
        """
        text = self.text
        text.skip("{")
        for _ in text.items("}"):
            name, _ = text.value()
            text.skip(":")
            if name == "features" and text.peek() == "[":
                self.has_features = True
                text.skip("[")
                for _ in text.items("]"):
                    yield Feature(*text.value())
                continue
            value, _ = text.value()
            if name == "crs":
                self.crs = value
        if text.peek():
            raise ValueError("there is more text after its end")
