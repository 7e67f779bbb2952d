"""Texts of the sources for the catalogue: marked texts, errors, help of commands, keys of configuration files.

`babel.cfg` names `extract_texts`. An error is raised with constant texts, so that they can be found here.
"""

import ast
import re
from collections.abc import Iterator
from io import BytesIO
from typing import Any, BinaryIO

from babel.messages.extract import extract_python

from reports.language.help_text import help_paragraphs
from transforms.config.season_comments import comment_texts
from transforms.config.season_writer import NO_POSITION

ERRORS = {"WorkspaceError", "DamagedError", "LockedError"}
PARTS = {"where", "remedy"}
HELPED = {"typer.Argument", "typer.Option", "CommandLine"}
"""Calls that define parameters and groups of commands."""
HELP_KEYS = {"help", "epilog", "metavar"}
MODEL_FIELD = "Field"
"""Function that defines a key of a configuration file; its description completes a sentence of an error."""


def extract_texts(fileobj: BinaryIO, keywords: Any, comment_tags: Any, options: Any) -> Iterator[Any]:
    """Yield the texts that `say`, `say_n`, `mark`, `mark_n` and `phrase` mark, and the texts of errors."""
    source = fileobj.read()
    yield from extract_python(BytesIO(source), keywords, comment_tags, options)
    yield from ((line, None, text, []) for line, text in error_texts(source))
    yield from ((line, None, text, []) for line, text in help_texts(source))


def extract_comments(fileobj: BinaryIO, keywords: Any, comment_tags: Any, options: Any) -> Iterator[Any]:  # noqa: ARG001
    """Yield the comments of the template of season.toml."""
    texts = [*comment_texts(fileobj.read().decode("utf-8")), NO_POSITION]
    yield from ((1, None, text, []) for text in texts)


def error_texts(source: bytes) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of errors: fault and remedy, and the place if it is described in words."""
    tree = ast.parse(source)
    constants = _constants(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ERRORS:
            parts = [*node.args[:1], *(k.value for k in node.keywords if k.arg in PARTS)]
            yield from ((node.lineno, t) for part in parts for t in _texts(part, constants) if _has_words(t))
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == MODEL_FIELD:
            parts = [k.value for k in node.keywords if k.arg == "description"]
            yield from ((node.lineno, t) for part in parts for t in _texts(part, constants))


def help_texts(source: bytes) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of help: paragraphs of the docstrings of commands, texts of their parameters and groups."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and any(_is_parameter(a.annotation) for a in node.args.args):
            yield from ((node.lineno, p) for p in help_paragraphs(ast.get_docstring(node) or ""))
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in HELPED:
            parts = [k.value for k in node.keywords if k.arg in HELP_KEYS]
            yield from ((node.lineno, p) for part in parts for t in _texts(part, {}) for p in help_paragraphs(t))


def _is_parameter(annotation: ast.expr | None) -> bool:
    """Return True for the annotation of a command's parameter."""
    return (
        annotation is not None
        and re.search(r"\btyper\.(Argument|Option)\b|^(Folder|FolderOption)$", ast.unparse(annotation)) is not None
    )


def _constants(tree: ast.Module) -> dict[str, str]:
    """Return the texts that a module assigns to names of its own."""
    return {
        node.targets[0].id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    }


def _texts(node: ast.expr, constants: dict[str, str]) -> Iterator[str]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from _texts(node.body, constants)
        yield from _texts(node.orelse, constants)
    elif isinstance(node, ast.Name) and node.id in constants:
        yield constants[node.id]


def _has_words(text: str) -> bool:
    """Return True if a text has several words besides the values in braces; options and file names have one."""
    words = re.sub(r"\{[^}]*\}|\[[^]]*\]|season\.toml", "", text).split()
    return len(words) > 1
