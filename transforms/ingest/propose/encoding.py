"""Detection of the encoding of a text file, by byte order marks, zero bytes, and the letters of languages."""

import codecs
from dataclasses import dataclass, field

from transforms.contracts.reason import Reason, reason
from transforms.ingest.propose.code_pages import PageReading, rank_code_pages
from transforms.ingest.propose.lexicon import package_lexicon

NULL_SHARE = 0.1
SAMPLE_WORDS, SAMPLE_LETTERS = 4, 48
"""Words shown in a reason; letters of the line shown in a question."""


@dataclass
class DecodedText:
    """Text with its encoding, the reasons, and the question about it; None if there is none."""

    text: str
    encoding: str
    reasons: list[Reason] = field(default_factory=list)
    question: tuple[Reason, list[str], str] | None = None


def decode(data: bytes, encoding: str | None = None) -> DecodedText:
    """Return the text of the beginning of a file.

    Args:
        data: the beginning of the file.
        encoding: the user's answer; None to detect it.
    """
    if encoding is not None:
        return DecodedText(_decoded(data, encoding), encoding, [reason("encoding_by_answer", encoding=encoding)])
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if data.startswith(mark):
            return DecodedText(data.decode(name, "replace"), name, [reason("utf16_by_mark")])
    wide = _utf16_by_zeros(data)
    if wide is not None:
        return DecodedText(data.decode(wide, "replace"), wide, [reason("utf16_by_zeros", encoding=wide)])
    try:
        text = codecs.getincrementaldecoder("utf-8-sig")().decode(data)
    except UnicodeDecodeError:
        return _by_letters(data)
    return DecodedText(text, "utf-8", [reason("utf8_by_bytes")])


def _decoded(data: bytes, encoding: str) -> str:
    try:
        return codecs.getincrementaldecoder(encoding)(errors="replace").decode(data)
    except LookupError:
        return data.decode("cp1252", "replace")


def _utf16_by_zeros(data: bytes) -> str | None:
    """Return the byte order of UTF-16 without a mark: most Latin letters and digits have a zero byte."""
    head = data[: 1 << 14]
    if len(head) < 8:
        return None
    even, odd = head[::2].count(0) / len(head[::2]), head[1::2].count(0) / len(head[1::2])
    if odd > NULL_SHARE and even < 0.1 * odd:
        return "utf-16-le"
    return "utf-16-be" if even > NULL_SHARE and odd < 0.1 * even else None


def _by_letters(data: bytes) -> DecodedText:
    """Choose the encoding whose words have the letters of one language; ask unless that is clear."""
    ranked = rank_code_pages(data, package_lexicon())
    best = ranked[0]
    text = _decoded(data, best.encoding)
    if best.is_clear(ranked[1:]):
        shown = [w for w in best.words if w is not None][:SAMPLE_WORDS]
        return DecodedText(text, best.encoding, [reason("encoding_by_letters", encoding=best.encoding, words=shown)])
    choices = [r.encoding for r in ranked]
    why = reason("ask_encoding", guesses=" | ".join(_samples(data, ranked)))
    return DecodedText(text, best.encoding, [], (why, choices, best.encoding))


def _samples(data: bytes, ranked: list[PageReading]) -> list[str]:
    """Return the line with the most bytes beyond ASCII as each encoding reads it; encodings that agree share one."""
    line = max(data.splitlines(), key=lambda row: len({b for b in row if b > 0x7F}))
    first = next(i for i, b in enumerate(line) if b > 0x7F)
    begin = max(line.rfind(sign, 0, first) for sign in (b";", b",", b"\t", b"|")) + 1
    shown: dict[str, list[str]] = {}
    for reading in ranked:
        text = " ".join(_decoded(line[begin:], reading.encoding).split())[:SAMPLE_LETTERS]
        shown.setdefault(text, []).append(reading.encoding)
    return [f"{', '.join(encodings)}: {text}" for text, encodings in shown.items()]
