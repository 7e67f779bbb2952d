"""Comments of `season.toml`: their texts for the catalogue, and the same file with its comments in another language."""

import re
import textwrap
from collections.abc import Callable, Iterator

from transforms.config.season_writer import ASSUMED

WIDTH = 118
"""Columns of a line of comment."""
KEY_LINE = re.compile(r"(?P<code>(?:# )?\w+ = (?:\"(?:[^\"\\]|\\.)*\"|\[[^\]]*\]|[^\s#]+) *)(?:# (?P<comment>.*))?")
"""Line of a key, which may itself be a comment, with the comment behind it."""
CODE = re.compile(r"#:.*|# \[.*\]|# \w+ =|\[.*\]|")
"""Other lines that are not prose: the schema for editors, tables, keys without a value, empty lines."""
ASSUMED_TEXT = "assumed: {text}"


def _blocks(toml: str) -> Iterator[tuple[str, str]]:
    """Yield (code, comment) of each line of code, and ("", paragraph) for each block of lines of prose."""
    prose: list[str] = []
    for line in toml.splitlines():
        found = KEY_LINE.fullmatch(line)
        if found is None and line.startswith("#") and CODE.fullmatch(line) is None:
            prose.append(line.removeprefix("# "))
            continue
        if prose:
            yield "", " ".join(prose)
            prose = []
        yield (found["code"], found["comment"] or "") if found is not None else (line, "")
    if prose:
        yield "", " ".join(prose)


def comment_texts(toml: str) -> list[str]:
    r"""Return the texts of the comments; the mark of assumed prices is a text of its own.

    >>> comment_texts("# About\n# it.\na = 1   # assumed: price\n# b = 2")
    ['About it.', 'assumed: {text}', 'price']
    """
    found: dict[str, None] = {}
    for _, comment in _blocks(toml):
        bare = comment.removeprefix(ASSUMED.removeprefix("# "))
        found |= dict.fromkeys(([ASSUMED_TEXT] if bare != comment else []) + ([bare] if bare else []))
    return list(found)


def translate_comments(toml: str, translate: Callable[[str], str]) -> str:
    """Return a file with its comments translated; its keys and values stay as they are.

    Args:
        toml: text of the file.
        translate: function that returns a text of `comment_texts` in another language.
    """

    def words(comment: str) -> str:
        bare = comment.removeprefix(ASSUMED.removeprefix("# "))
        text = translate(bare)
        # A translation is one line of comment, whatever it contains.
        return " ".join((translate(ASSUMED_TEXT).replace("{text}", text) if bare != comment else text).split())

    lines: list[str] = []
    for code, comment in _blocks(toml):
        if not code and comment:
            wrapped = textwrap.wrap(words(comment), WIDTH, break_long_words=False, break_on_hyphens=False)
            lines += [f"# {line}" for line in wrapped]
        else:
            lines.append(code + (f"# {words(comment)}" if comment else ""))
    return "\n".join(lines) + "\n"
