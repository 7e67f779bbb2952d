"""File name patterns of proposed mappings, which match later exports but not the files of other machines or kinds."""

import re
from pathlib import Path
from typing import Any

DATE = re.compile(
    r"(?<!\d)(?:(?:19|20)\d{2}[-_.]?\d{2}[-_.]?\d{2}|\d{2}[-_.]?\d{2}[-_.]?(?:19|20)\d{2}|(?:19|20)\d{2})"
    r"(?:[T_\- ]?\d{2}[-_.:]?\d{2}(?:[-_.:]?\d{2})?)?(?!\d)"
    r"|(?<![A-Za-z])(?:kw|week|woche|semaine|tydzien|w|wk|t)[-_ ]?\d{1,2}(?!\d)",
    re.IGNORECASE,
)
SPECIAL = re.compile(r"[\[\]?*]")


def files_pattern(path: Path, rows: dict[str, dict[str, Any]]) -> str:
    """Return a file name pattern for a mapping.

    A constant machine holds for this file only, so the pattern is its name. Another constant id leaves only dates
    open. Else every number is open.

    Args:
        path: the file.
        rows: table column -> its row in the mapping.
    """
    constants = {c for c, row in rows.items() if "value" in row and c.endswith("_id")}
    if "machine_id" in constants:
        return SPECIAL.sub("?", path.name)
    stem = SPECIAL.sub("?", path.stem)
    stem = DATE.sub("*", stem) if constants else re.sub(r"\d+", "*", stem)
    stem = re.sub(r"\*[\*_\-. ]*\*", "*", stem)
    if not re.search(r"[^\W\d_]", stem):
        # A name of numbers alone would match every file.
        stem = re.sub(r"\d", "[0-9]", SPECIAL.sub("?", path.stem))
    return stem + path.suffix
