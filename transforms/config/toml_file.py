"""Reads a TOML file that people write; whatever is wrong with the file is one sentence."""

import stat
import tomllib
from pathlib import Path
from typing import Any, NoReturn

from transforms.config.problems import ConfigError, Problem

MAX_BYTES = 1_000_000
"""No season file and no mapping is larger."""


def read_toml(path: Path) -> dict[str, Any]:
    """Return the content of a TOML file.

    Raises:
        FileNotFoundError: the file does not exist.
        ConfigError: it is not a file, too large, not readable, not UTF-8 or not TOML.
    """
    try:
        data = _content(path)
        # A byte order mark is no fault: some editors write one.
        return tomllib.loads(data.decode("utf-8-sig"))
    except FileNotFoundError:
        raise
    except OSError as problem:
        _refuse(path, f"cannot be read ({problem.strerror})", "correct its permissions or replace it")
    except UnicodeDecodeError as problem:
        _refuse(path, f"cannot be read: byte {problem.start + 1} is not UTF-8 text", "save it with the encoding UTF-8")
    except tomllib.TOMLDecodeError as problem:
        _refuse(path, f"cannot be read ({problem})", "correct that line")
    except (ValueError, RecursionError):  # a number of thousands of digits; tables nested without end
        _refuse(path, "cannot be read: a number is too long or tables are nested too deeply", "correct the file")


def _content(path: Path) -> bytes:
    about = path.stat()
    if not stat.S_ISREG(about.st_mode):
        _refuse(path, "is not a file", "move it away and put a text file in its place")
    with path.open("rb") as handle:
        data = handle.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        _refuse(path, f"is larger than {MAX_BYTES:,} bytes", "replace it: a settings file is a few kilobytes long")
    return data


def _refuse(path: Path, what: str, remedy: str) -> NoReturn:
    raise ConfigError([Problem("wrong_file", "", f"{path.name} {what}", str(path), remedy)])
