"""File and anchor names for ids, which are untrusted text."""

import hashlib
import re

MAX_CHARACTERS = 40
_SAFE = re.compile(r"[A-Za-z0-9_-]+")
_DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{port}{n}" for port in ("COM", "LPT") for n in range(10))}
"""Names of devices on Windows, which no file can have there, whatever its suffix."""


def safe_name(text: str) -> str:
    """Return a unique name for an id that is safe in file names and anchors.

    The name is unique on case-insensitive file systems too. An id is used unchanged if it is short, consists of plain
    characters, and either has digits and no lower-case letters (`A_1`) or has neither digits nor upper-case letters
    (`one`), and is not a device on Windows (`con`). Any other id gets a suffix of its hash. A suffix has a digit and a
    lower-case letter, so a name with a suffix never equals an unchanged id.

    >>> safe_name("Field 7/B")
    'Field_7_B-x0d967ce1d59'
    """
    is_plain = len(text) <= MAX_CHARACTERS and _SAFE.fullmatch(text) is not None and text.upper() not in _DEVICES
    has_digit = any(c.isdigit() for c in text)
    if is_plain and text == (text.upper() if has_digit else text.lower()):
        return text
    prefix = "".join(c if c.isalnum() or c in "-_" else "_" for c in text)[:MAX_CHARACTERS]
    return f"{prefix}-x0{hashlib.sha256(text.encode('utf-8', 'surrogatepass')).hexdigest()[:10]}"
