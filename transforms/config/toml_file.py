"""Reader of hand-written TOML files; every failure becomes a one-sentence error."""

import stat
import tomllib
from pathlib import Path
from typing import Any, NoReturn

from transforms.config.problems import ConfigError, Problem

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
        _refuse(path, f"cannot be read ({problem.strerror})", "correct its permissions or replace it")
    except UnicodeDecodeError as problem:
        _refuse(path, f"cannot be read: byte {problem.start + 1} is not UTF-8 text", "save it with the encoding UTF-8")
    except tomllib.TOMLDecodeError as problem:
        _refuse(path, f"cannot be read ({problem})", "correct that line")
    except (ValueError, RecursionError):  # a number with too many digits, or tables nested too deeply
        _refuse(path, "cannot be read: a number is too long or tables are nested too deeply", "correct the file")


def _content(path: Path) -> bytes:
    about = path.stat()
    if not stat.S_ISREG(about.st_mode):
        _refuse(path, "is not a file", "replace it with a text file")
    with path.open("rb") as handle:
        data = handle.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        _refuse(path, f"is larger than {MAX_BYTES:,} bytes", "replace it; a configuration file is a few kilobytes long")
    return data


def _refuse(path: Path, what: str, remedy: str) -> NoReturn:
    raise ConfigError([Problem("wrong_file", "", f"{path.name} {what}", str(path), remedy)])
