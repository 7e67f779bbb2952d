"""Reader of hand-written TOML files; every failure becomes a one-sentence error."""

import stat
import tomllib
from pathlib import Path
from typing import Any, NoReturn

from transforms.config.problems import ConfigError, Problem
from transforms.contracts.phrase import Phrase, phrase

MAX_BYTES = 1_000_000
"""Maximum size of a season file or a mapping."""


def read_toml(path: Path) -> dict[str, Any]:
    """Return the content of a TOML file.

    Raises:
        FileNotFoundError: the file does not exist.
        ConfigError: the path is not a file, or the file is too large, unreadable, not UTF-8 or not TOML.
    """
    try:
        data = _content(path)
        # Some editors write a byte order mark; accept it.
        return tomllib.loads(data.decode("utf-8-sig"))
    except FileNotFoundError:
        raise
    except OSError as problem:
        what = phrase("{file} cannot be read ({problem})", file=path.name, problem=problem.strerror)
        _refuse(path, what, phrase("correct its permissions or replace it"))
    except UnicodeDecodeError as problem:
        what = phrase("{file} cannot be read: byte {n} is not UTF-8 text", file=path.name, n=problem.start + 1)
        _refuse(path, what, phrase("save it with the encoding UTF-8"))
    except tomllib.TOMLDecodeError as problem:
        what = phrase("{file} cannot be read ({problem})", file=path.name, problem=str(problem))
        _refuse(path, what, phrase("correct that line"))
    except (ValueError, RecursionError):  # a number with too many digits, or tables nested too deeply
        what = phrase("{file} cannot be read: a number is too long or tables are nested too deeply", file=path.name)
        _refuse(path, what, phrase("correct the file"))


def _content(path: Path) -> bytes:
    about = path.stat()
    if not stat.S_ISREG(about.st_mode):
        _refuse(path, phrase("{file} is not a file", file=path.name), phrase("replace it with a text file"))
    with path.open("rb") as handle:
        data = handle.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        what = phrase("{file} is larger than {n:,} bytes", file=path.name, n=MAX_BYTES)
        _refuse(path, what, phrase("replace it; a configuration file is a few kilobytes long"))
    return data


def _refuse(path: Path, what: Phrase, remedy: Phrase) -> NoReturn:
    raise ConfigError([Problem("wrong_file", "", what, str(path), remedy)])
