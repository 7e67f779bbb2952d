"""Bounded parser of untrusted XML that keeps only the elements in use."""

import codecs
import re
from xml.etree.ElementTree import Element, ParseError

import numpy as np
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from transforms.contracts.reason import Reason, reason
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
                reason(
                    "xml_too_many_elements",
                    max_elements=MAX_ELEMENTS,
                    max_depth=MAX_DEPTH,
                    max_attributes=MAX_ATTRIBUTES,
                )
            )
        if self.dropped or (self.open and tag not in KEPT):
            self.dropped += 1
            return
        self.kept += 1
        if self.kept > MAX_KEPT:
            raise _too_large(reason("xml_too_many_devices", max_elements=MAX_KEPT))
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


def _too_large(why: Reason) -> SourceFileError:
    return SourceFileError("xml_too_large", why)


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
        raise _too_large(reason("xml_element_too_long", max_bytes=MAX_TAG_BYTES))


def parse_xml(data: bytes, name: str) -> tuple[Element, tuple[Reason, ...]]:
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
        raise SourceFileError("xml_doctype", reason("task_data_doctype", file=short)) from problem
    except (ParseError, ValueError, LookupError) as problem:
        first = problem
    try:
        text = re.sub(r"<\?xml[^>]*\?>", "", data.decode("cp1252"), count=1)
        return _parse(text.encode()), (reason("read_as_cp1252", file=short),)
    except (DefusedXmlException, ParseError, ValueError):
        raise SourceFileError("not_xml", reason("not_xml", file=short, detail=str(first)[:80])) from first
