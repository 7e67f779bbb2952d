"""Streaming parser of GeoJSON features: memory use depends on one feature, not on the file size."""

import codecs
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError

READ_BYTES = 1 << 20
SPACE = re.compile(r"[ \t\r\n]*")
MAX_VALUE_CHARACTERS = 16 << 20
"""Maximum length of a feature or another member of the file; an outline of 200,000 points is half as long."""


@dataclass(frozen=True)
class Feature:
    """Feature: its parsed value and its text in the file."""

    value: Any
    text: str


class _Text:
    """Text buffer of a JSON file, read on demand and discarded after parsing."""

    def __init__(self, handle: BinaryIO) -> None:
        self.handle, self.decoder = handle, codecs.getincrementaldecoder("utf-8-sig")()
        self.parse = json.JSONDecoder().raw_decode
        self.text, self.at, self.is_whole = "", 0, False

    def _read(self) -> bool:
        """Double the unparsed text; return False at the end of the file."""
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
        """Skip one of the given characters and return it.

        Raises:
            ValueError: another character follows.
        """
        found = self.peek()
        if not found or found not in characters:
            raise ValueError(f"expected one of {characters} before '{self.text[self.at : self.at + 20]}'")
        self.at += 1
        return found

    def value(self) -> tuple[Any, str]:
        """Return the next value and its text.

        Raises:
            ValueError: the value is not JSON.
            SourceFileError: the value is longer than `MAX_VALUE_CHARACTERS`.
        """
        self.peek()
        while True:
            try:
                value, end = self.parse(self.text, self.at)
            except json.JSONDecodeError:
                # A value that continues beyond the text read so far also fails to parse.
                if len(self.text) - self.at > MAX_VALUE_CHARACTERS:
                    why = reason("feature_too_long", max_millions=MAX_VALUE_CHARACTERS >> 20)
                    raise SourceFileError("too_long", why) from None
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
    """Iterable over the features of a FeatureCollection.

    Attributes:
        has_features: True if a list of features was found.
        crs: the member `crs`; None if there is none. Both are final after all features are read.
    """

    def __init__(self, handle: BinaryIO) -> None:
        self.text = _Text(handle)
        self.has_features = False
        self.crs: Any = None

    def __iter__(self) -> Iterator[Feature]:
        """Yield the features in the order of the file.

        Raises:
            ValueError: the file is not JSON.
            RecursionError: the file is nested too deeply.
            SourceFileError: a feature is longer than `MAX_VALUE_CHARACTERS`.
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
