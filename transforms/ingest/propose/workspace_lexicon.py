"""Vocabulary that a workspace adds: `lexicon.toml` beside `season.toml`."""

from pathlib import Path
from typing import Any

from transforms.config.toml_file import read_toml
from transforms.errors import WorkspaceError

LEXICON_FILE = "lexicon.toml"


def read_lexicon(root: Path) -> dict[str, Any]:
    """Return the tables of a workspace's vocabulary; empty if it has none.

    Args:
        root: folder of the workspace.

    Raises:
        WorkspaceError: the file is not TOML, or a word is not a text or a list of texts.
    """
    path = root / LEXICON_FILE
    if not path.exists():
        return {}
    table = read_toml(path)
    for section, words in table.items():
        is_table = isinstance(words, dict) and all(_are_words(w) for w in words.values())
        if not is_table:
            raise WorkspaceError(
                "[{section}] is not a table of words",
                where=str(path),
                remedy='write words as name = ["word", "another word"]',
                section=section,
            )
    return table


def _are_words(words: Any) -> bool:
    return isinstance(words, str) or (isinstance(words, list) and all(isinstance(w, str) for w in words))
