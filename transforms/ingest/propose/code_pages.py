"""Choice of an 8-bit encoding by the words beyond ASCII of a text: their letters, letter case and script in each."""

import re
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

from transforms.ingest.propose.alphabets import ALPHABETS
from transforms.ingest.propose.lexicon import COMPOUND, Lexicon

CODE_PAGES = (
    "utf-8",
    "cp1252",
    "cp1250",
    "cp1251",
    "cp1254",
    "cp1253",
    "cp1257",
    "cp850",
    "cp852",
    "cp866",
    "cp437",
    "iso8859-15",
    "koi8-r",
    "mac-roman",
)
"""Encodings that a file may have, the most usual first. UTF-8 is one for a file with a few damaged bytes."""
WORD = re.compile(rb'[^\s;,|"]*[\x80-\xff][^\s;,|"]*')
LETTERS = re.compile(r"[^\W\d_ªµº]+")
SIGNS = frozenset("°µ²³§‰€£«»„“”‘’–—…№·±×ªº½¼¾®©\u00a0")
"""Signs beyond ASCII that exports have; only the space may be between two letters or beside another sign."""
MAX_WORDS, MAX_DAMAGED = 300, 0.1
"""Words that are judged; largest share of them that an encoding may be unable to decode."""
MAX_ACCENTED = 3
"""Most letters of a Latin word without any of ASCII."""
MIN_KNOWN, MIN_COMPOUND = 4, 6
"""Letters of a word, and of a compound, that the vocabulary cannot contain by accident."""
STRANGE, UNREADABLE, SIGN, KNOWN = -6.0, -7.0, -1.0, 6.0
"""Weight of a letter that the language lacks or that is in an impossible word, of a byte that cannot be decoded, of a
sign, and of a word of the vocabulary, beside the logarithms of the frequencies of letters (common practice, no source).
"""
RARE = {"koi8-r": -3.0, "mac-roman": -6.0}
"""Weight of encodings that few offices have used for decades (common practice, no source)."""
MIN_EVIDENCE, MAX_STRANGE = 4.9, 0.3
"""Difference of weights from every other encoding, 130 to 1, and largest share of strange letters, that need no
question (common practice, no source)."""


@dataclass(frozen=True)
class PageReading:
    """Words of a file in one encoding.

    Attributes:
        encoding: the encoding.
        words: different words beyond ASCII; None for those that it cannot decode.
        language: language whose letters the words have.
        weight: logarithm of the likelihood of the words.
        strange: share of the characters beyond ASCII that the language lacks, or that are in impossible words.
    """

    encoding: str
    words: tuple[str | None, ...]
    language: str
    weight: float
    strange: float

    @property
    def place(self) -> int:
        """Place of the encoding among those of its language; after them if it is not one of them."""
        usual = ALPHABETS[self.language].encodings
        return usual.index(self.encoding) if self.encoding in usual else len(usual) + CODE_PAGES.index(self.encoding)

    def is_clear(self, others: list["PageReading"]) -> bool:
        """Return True if the words are far likelier than those of every encoding that gives other words."""
        is_far = all(self.weight - o.weight >= MIN_EVIDENCE for o in others if o.words != self.words)
        return is_far and self.strange <= MAX_STRANGE


def rank_code_pages(data: bytes, lexicon: Lexicon) -> list[PageReading]:
    """Return the readings of a text in each encoding that can decode it, the likeliest first.

    Args:
        data: the beginning of a file.
        lexicon: vocabulary.
    """
    words = list(dict.fromkeys(re.sub(rb"\d+", b"0", w) for w in WORD.findall(data)))[:MAX_WORDS]
    readings = [_reading(e, words, lexicon) for e in CODE_PAGES]
    sound = [r for r in readings if r.words.count(None) <= MAX_DAMAGED * len(words)]
    return sorted(sound or readings, key=lambda r: (-r.weight, r.place))


def _reading(encoding: str, words: list[bytes], lexicon: Lexicon) -> PageReading:
    """Return the words in an encoding, with the language that makes them likeliest."""
    decoded = tuple(_decoded_word(w, encoding) for w in words)
    possible = [w for w in decoded if w is not None and is_possible_word(w)]
    impossible = [w for w in decoded if w is not None and not is_possible_word(w)]
    # The capital of a Turkish letter of ASCII counts as the letter beside it.
    odd = (c for w in possible for c in w.replace("İ", "ı") if not c.isascii() and c not in SIGNS)
    letters = Counter(c.lower() for c in odd)
    lost = sum(not c.isascii() for w in impossible for c in w)
    unread = sum(b > 0x7F for w, text in zip(words, decoded, strict=True) if text is None for b in w)
    signs = sum(c in SIGNS for w in possible for c in w)

    def weight(language: str) -> float:
        frequency = ALPHABETS[language].frequency
        return sum(n * frequency.get(c, STRANGE) for c, n in letters.items())

    language = max(ALPHABETS, key=weight)
    known = sum(_has_known(w, lexicon) for w in possible)
    total = weight(language) + STRANGE * lost + UNREADABLE * unread + SIGN * signs + KNOWN * known
    total += RARE.get(encoding, 0.0)
    foreign = sum(n for c, n in letters.items() if c not in ALPHABETS[language].frequency)
    n = max(1, letters.total() + lost + unread + signs)
    return PageReading(encoding, decoded, language, total, (foreign + lost + unread) / n)


def _decoded_word(word: bytes, encoding: str) -> str | None:
    """Return a word; None if it cannot be decoded, or has control characters."""
    try:
        text = word.decode(encoding)
    except UnicodeDecodeError:
        return None
    return None if any(0x7F <= ord(c) < 0xA0 for c in text) else text


def is_possible_word(word: str) -> bool:
    """Return True if no sign beyond ASCII is inside a word or beside another, and script and case are those of words.

    >>> [is_possible_word(w) for w in ("Rübe", "m²/ha", "R³be", "LŠnge", "Rьbe")]
    [True, True, False, False, False]
    """
    for before, c, after in zip(f" {word}", word, f"{word[1:]} ", strict=False):
        if c.isascii() or c == "\u00a0" or (c.isalpha() and c not in SIGNS):
            continue
        if c not in SIGNS or after in SIGNS or (before.isalpha() and after.isalpha()):
            return False
    return all(_is_possible_run(run) for run in LETTERS.findall(word) if not run.isascii())


def _is_possible_run(run: str) -> bool:
    """Return True if letters have one script, and no capital beyond ASCII follows a small letter, or the reverse."""
    scripts = {_script(c) for c in run}
    is_accented = scripts == {"Latin"} and len(run) > MAX_ACCENTED and not any(c.isascii() for c in run)
    if len(scripts) > 1 or "ς" in run[:-1] or is_accented:
        return False
    cased = run.replace("ß", "")
    if any(a.islower() and b.isupper() and not (a + b).isascii() for a, b in pairwise(cased)):
        return False
    triples = zip(cased, cased[1:], cased[2:], strict=False)
    return not any((a + b).isupper() and c.islower() and not (a + b + c).isascii() for a, b, c in triples)


def _script(letter: str) -> str:
    code = ord(letter)
    if 0x370 <= code < 0x400:
        return "Greek"
    return "Cyrillic" if 0x400 <= code < 0x530 else "Latin"


def _has_known(word: str, lexicon: Lexicon) -> bool:
    runs = [r for r in LETTERS.findall(word) if not r.isascii() and len(r) >= MIN_KNOWN]
    return any(r.casefold() in lexicon.spelled or _is_compound(r, lexicon) for r in runs)


def _is_compound(word: str, lexicon: Lexicon) -> bool:
    tokens = lexicon.tokens(word) if len(word) >= MIN_COMPOUND else []
    return len(tokens) > 1 and all(t.concepts and t.quality >= COMPOUND for t in tokens)
