"""Letters beyond ASCII of the languages of Europe by frequency, with the encodings that their offices use."""

import math
from typing import NamedTuple

WESTERN = ("cp1252", "iso8859-15", "cp850", "cp437", "mac-roman")
CENTRAL = ("cp1250", "cp852")
BALTIC = ("cp1257",)
TURKISH = ("cp1254",)
GREEK = ("cp1253",)
CYRILLIC = ("cp1251", "cp866", "koi8-r")


class Alphabet(NamedTuple):
    """Logarithm of the frequency of each letter beyond ASCII in lower case, and the usual encodings, best first."""

    frequency: dict[str, float]
    encodings: tuple[str, ...]


def _alphabet(letters: str, encodings: tuple[str, ...]) -> Alphabet:
    """Return an alphabet, given its letters from the most to the least frequent one.

    The frequency falls with the rank by Zipf's rule (common practice, no source).
    """
    total = sum(1 / rank for rank in range(1, len(letters) + 1))
    return Alphabet({c: -math.log(rank * total) for rank, c in enumerate(letters, 1)}, encodings)


# Letters and their order are from memory. Letters of loan words are included if offices write them.
ALPHABETS = {
    "de": _alphabet("üäöß", WESTERN),
    "fr": _alphabet("éèàêçôîùûâëïœüÿæ", WESTERN),
    "es": _alphabet("óáíéñúü", WESTERN),
    "it": _alphabet("àèùòìéíîúó", WESTERN),
    "nl": _alphabet("ëéïöèüóáêíúà", WESTERN),
    "da": _alphabet("åøæéèêóòâô", WESTERN),
    "sv": _alphabet("äåöéüà", WESTERN),
    "pt": _alphabet("ãçéáíóêõúâôàü", WESTERN),
    "ca": _alphabet("àóéèíòçúïü", WESTERN),
    "is": _alphabet("áíðöéþýúæó", WESTERN),
    "pl": _alphabet("łóężąśćńź", CENTRAL),
    "cs": _alphabet("íáéěýřžčšůúťňóď", CENTRAL),
    "sk": _alphabet("áíýčéžšľúťôňäďóĺŕ", CENTRAL),
    "hu": _alphabet("éáőöóíüúű", CENTRAL),
    "hr": _alphabet("čšžćđ", CENTRAL),
    "ro": _alphabet("ăîţâşțș", CENTRAL),
    "tr": _alphabet("ıüşöçğâîû", TURKISH),
    "et": _alphabet("äõüöšž", BALTIC),
    "lv": _alphabet("āīšēņžļūķģč", BALTIC),
    "lt": _alphabet("ėšįžųūąčę", BALTIC),
    "el": _alphabet("αοιετνσρηυκπμλςωίάόγδέήύχθφώβξζψϊϋΐΰ", GREEK),
    "ru": _alphabet("оеаинтсрвлкмдпуяыьгзбчйхжшюцщэфъё", CYRILLIC),
    "uk": _alphabet("оанівитерскдлумпяьзбгйчхєцжшюїщфґ", CYRILLIC),
    "be": _alphabet("аніоерытлсквядумпзьгбчйцшўюжэхёф", CYRILLIC),
    "sr": _alphabet("аоиенрсјтувкдмлпгзбчшхцжњљћђфџ", CYRILLIC),
}
"""Language -> its alphabet. Bulgarian uses letters of Russian alone, Norwegian those of Danish, Finnish of Swedish."""
