"""Names of files and anchors for ids, which are untrusted text."""

import hashlib
import re

LONGEST = 40
_SAFE = re.compile(r"[A-Za-z0-9_-]+")


def safe_name(text: str) -> str:
    """Return a name for an id that is safe in file names and anchors and that no other id has.

    It is unique where a file system ignores case, too: an id is its own name if it is short, of plain characters, and
    either has digits and no small letters (`A_1`) or has neither digits nor capital letters (`one`). Any other id gets
    a suffix of its hash. A suffix has a digit and a small letter, so that no name with a suffix is an id's own name.
    """
    plain = len(text) <= LONGEST and _SAFE.fullmatch(text) is not None
    has_digit = any(c.isdigit() for c in text)
    if plain and text == (text.upper() if has_digit else text.lower()):
        return text
    kept = "".join(c if c.isalnum() or c in "-_" else "_" for c in text)[:LONGEST]
    return f"{kept}-x0{hashlib.sha256(text.encode('utf-8', 'surrogatepass')).hexdigest()[:10]}"
