"""Language of commands and scheduled runs: that of the workspace they open."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from reports.language.translate import set_language, start_in_english
from transforms.config.toml_file import read_toml
from transforms.config.workspace import Season
from transforms.errors import WorkspaceError


def set_workspace_language(root: Path) -> None:
    """Set the language of a workspace from now on; unchanged if its locale or translation is wrong, see `doctor`."""
    with suppress(WorkspaceError):
        set_language(_locale(root), root / "text")


@contextmanager
def workspace_language(root: Path) -> Iterator[None]:
    """Set the language of a workspace in a block."""
    with start_in_english():
        set_workspace_language(root)
        yield


def _locale(root: Path) -> str:
    """Return the locale in season.toml, also if other keys there are wrong; the default if the file cannot be read."""
    try:
        locale = read_toml(root / "season.toml").get("season", {}).get("locale")
    except (WorkspaceError, OSError, AttributeError):
        return Season.locale
    return locale if isinstance(locale, str) else Season.locale
