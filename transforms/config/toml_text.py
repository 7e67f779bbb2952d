"""Texts from data in TOML that a person reads: comments of one line, and strings."""


def toml_comment(text: str) -> str:
    r"""Return a comment of one line.

    >>> toml_comment("two\nlines")
    '# two lines'
    """
    return "# " + "".join(c if c.isprintable() else " " for c in text)


def toml_string(text: str) -> str:
    r"""Return a text as a TOML string.

    >>> print(toml_string('a "b"\n'))
    "a \"b\"\u000a"
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
