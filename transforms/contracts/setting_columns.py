"""Properties of machine settings that decide the columns of a schema.

The catalogue of settings is configuration, which is built on these schemas and is not imported here.
"""

from collections.abc import Mapping
from typing import Protocol


class SettingColumns(Protocol):
    """Columns of one machine setting."""

    @property
    def is_flag(self) -> bool:
        """True if the setting is on or off, such as a direction."""

    @property
    def companions(self) -> dict[str, str]:
        """Columns of the values logged beside it, by kind."""


SettingsByName = Mapping[str, SettingColumns]
"""Settings known, by the name of their column."""
