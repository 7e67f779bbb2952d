"""Bounded parser of untrusted XML that keeps only the elements in use."""

import codecs
import re
from xml.etree.ElementTree import Element, ParseError

import numpy as np
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from transforms.errors import SourceFileError

KEPT = {"ISO11783_TaskData", "XFC", "XFR", "DVC", "DET", "DOR", "DPD", "DVP", "TSK", "TIM", "TLG", "PTN", "DLV"}
"""Elements in use; all others, including names of people, are dropped with their content."""
MAX_ELEMENTS = 2_000_000
MAX_KEPT = 500_000
MAX_DEPTH = 100
MAX_ATTRIBUTES = 100
MAX_TAG_BYTES = 1 << 16
"""Maximum bytes from one tag to the next; the longest device or value name is far shorter."""


class _Builder:
    """Tree builder of the kept elements, with limits on size and depth."""

    def __init__(self) -> None:
        self.root: Element | None = None
        self.open: list[Element] = []
        self.depth = self.dropped = self.elements = self.kept = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Process the start of an element."""
        self.depth += 1
        self.elements += 1
        if self.depth > MAX_DEPTH or self.elements > MAX_ELEMENTS or len(attributes) > MAX_ATTRIBUTES:
            raise _too_large(
                f"more than {MAX_ELEMENTS:,} elements, {MAX_DEPTH} inside each other, or {MAX_ATTRIBUTES} attributes"
            )
        if self.dropped or (self.open and tag not in KEPT):
            self.dropped += 1
            return
        self.kept += 1
        if self.kept > MAX_KEPT:
            raise _too_large(f"more than {MAX_KEPT:,} elements of devices and tasks")
        element = Element(tag, attributes)
        if self.open:
            self.open[-1].append(element)
        else:
            self.root = element
        self.open.append(element)

    def end(self, _tag: str) -> None:
        """Process the end of an element."""
        self.depth -= 1
        if self.dropped:
            self.dropped -= 1
        else:
            self.open.pop()

    def close(self) -> Element | None:
        """Return the root element."""
        return self.root


def _too_large(what: str) -> SourceFileError:
    return SourceFileError("xml_too_large", f"the task data has {what}; no machine writes such a file")


def _parse(data: bytes) -> Element:
    parser = DefusedXMLParser(target=_Builder(), forbid_dtd=True)
    parser.feed(data)
    root: Element | None = parser.close()
    if root is None:
        raise ValueError("no element found")
    return root


def _check_tags(data: bytes) -> None:
    """Raise an error for an overlong tag or text, of which the parser would hold several copies."""
    tags = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("<"))
    if np.diff(tags, prepend=0, append=len(data)).max() > MAX_TAG_BYTES:
        raise _too_large(f"an element longer than {MAX_TAG_BYTES:,} bytes")


def parse_xml(data: bytes, name: str) -> tuple[Element, tuple[str, ...]]:
    """Parse untrusted XML; return the root element and findings about corrections.

    Args:
        data: the XML.
        name: name of the member, for messages.

    Raises:
        SourceFileError: the XML declares a document type, exceeds a limit, or is malformed.
    """
    short = name.rsplit("/", 1)[-1][-80:]
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        data = re.sub(rb"<\?xml[^>]*\?>", b"", data.decode("utf-16", "replace").encode(), count=1)
    data = re.sub(rb"(?i)(encoding\s*=\s*[\"'])iso[-_ ]?8859[-_]1([\"'])", rb"\1ISO-8859-1\2", data[:200]) + data[200:]
    _check_tags(data)
    try:
        return _parse(data), ()
    except DefusedXmlException as problem:
        raise SourceFileError(
            "xml_doctype", f"'{short}' declares a document type; no machine writes one, and it is not read"
        ) from problem
    except (ParseError, ValueError, LookupError) as problem:
        first = problem
    try:
        text = re.sub(r"<\?xml[^>]*\?>", "", data.decode("cp1252"), count=1)
        return _parse(text.encode()), (f"'{short}' is not of the encoding it declares; read as cp1252",)
    except (DefusedXmlException, ParseError, ValueError):
        raise SourceFileError("not_xml", f"'{short}' is damaged or cut short ({str(first)[:80]})") from first
