"""Detection of the encoding of a text file, by byte order marks, and by letters of the languages of the vocabulary."""

import codecs
import re
from dataclasses import dataclass, field

from transforms.contracts.reason import Reason, reason
from transforms.ingest.propose.lexicon import Lexicon, package_lexicon

ENCODINGS = ("cp1252", "cp1250", "cp1251", "cp852", "cp866", "koi8-r", "mac-roman")
COMMON = {
    "cp1252": "äöüßéèêëàâçîïôûùñáíóúÄÖÜÉœ°µ²³ø§«»–’‰€",
    "cp1250": "ąćęłńóśźżĄĆĘŁŃÓŚŹŻáčďéěíňřšťúůýžÁČĎÉĚÍŇŘŠŤÚŮÝŽäöüß°‰–„”§",
    "cp852": "ąćęłńóśźżĄĆĘŁŃÓŚŹŻáčďéěíňřšťúůýžÁČĎÉĚÍŇŘŠŤÚŮÝŽäöüß°",
    "mac-roman": "äöüßéèêëàâçîïôûùñáíóúÄÖÜ°",
}
"""Letters and signs of the languages that use an encoding."""
CYRILLIC_LETTERS = set("абвгдежзийклмнопрстуфхцчшщъыьэюяёАБВГДЕЖЗИЙКЛМНОПРСТУФХЦЧШЩЭЮЯ№°‰–«»")
NULL_SHARE = 0.3
SAMPLE_WORDS, MIN_WORDS = 4, 4
"""Words shown in a question; without a known word, at least this number of different ones decides."""
KNOWN_WORD, CLEAR = 3.0, 1.15
"""Weight of a word of the vocabulary in relation to a letter; ratio of scores that needs no question."""


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
    """Choose the encoding whose text has the letters and words of a known language; ask if two fit about as well."""
    texts = {e: _decoded(data, e) for e in ENCODINGS}
    scores = {e: _score(t, e, package_lexicon()) for e, t in texts.items()}
    ranked = sorted(ENCODINGS, key=lambda e: -scores[e])
    best = ranked[0]
    rivals = [e for e in ranked[1:] if scores[e] * CLEAR >= scores[best] and texts[e] != texts[best]]
    has_evidence = bool(_known_words(texts[best], package_lexicon())) or len(_odd_words(texts[best])) >= MIN_WORDS
    if scores[best] > 0 and not rivals and has_evidence:
        return DecodedText(
            texts[best], best, [reason("encoding_by_letters", encoding=best, words=_odd_words(texts[best]))]
        )
    choices = [best, *rivals, *(e for e in ranked[1:4] if e not in rivals)]
    shown = " | ".join(f"{e}: {', '.join(_odd_words(texts[e]))}" for e in choices)
    return DecodedText(texts[best], best, [], (reason("ask_encoding", guesses=shown), choices, best))


def _odd_words(text: str) -> list[str]:
    """Return the first words with letters beyond ASCII."""
    words = re.findall(r"[^\s;,\t|\"]*[^\x00-\x7f][^\s;,\t|\"]*", text)
    return list(dict.fromkeys(words))[:SAMPLE_WORDS]


def _score(text: str, encoding: str, lexicon: Lexicon) -> float:
    """Return the share of letters beyond ASCII that fit the encoding's languages, and of known words."""
    odd = [c for c in text if ord(c) > 0x7F]
    is_cyrillic = encoding in {"cp1251", "cp866", "koi8-r"}
    common = CYRILLIC_LETTERS if is_cyrillic else set(COMMON[encoding])
    letters = sum(1.0 if c in common else -1.0 for c in odd) / len(odd)
    words = {w for w in re.findall(r"[^\W\d_]+", text) if not w.isascii() and w.isalpha()}
    # A capital inside a word, or a Cyrillic letter between Latin ones, shows a wrong encoding.
    mixed = re.compile(r"[A-Za-z][а-яА-Я]|[а-яА-Я][A-Za-z]")
    broken = sum(not (w.islower() or w.isupper() or w.istitle()) or mixed.search(w) is not None for w in words)
    known = len(_known_words(text, lexicon))
    return letters - broken / max(1, len(words)) + KNOWN_WORD * known / max(1, len(words))


def _known_words(text: str, lexicon: Lexicon) -> set[str]:
    """Return the words beyond ASCII that are in the vocabulary with their accents, or are compounds of its words."""
    words = {w for w in re.findall(r"[^\W\d_]+", text) if not w.isascii() and w.isalpha()}
    return {w for w in words if w.casefold() in lexicon.spelled or _is_compound(w, lexicon)}


def _is_compound(word: str, lexicon: Lexicon) -> bool:
    tokens = lexicon.tokens(word)
    return len(tokens) > 1 and all(t.concepts for t in tokens)
