"""Setting and value of a trial as the options of the command name them."""

from flows.cli.stored_columns import display_units
from reports.language.setting_input import find_setting, parse_value
from transforms.config.workspace import Season
from transforms.errors import WorkspaceError


def tested_setting(name: str | None, to: str | None, season: Season) -> tuple[str | None, float | None]:
    """Return the column of the setting to test and the value to test in its stored unit; None for what is not given.

    Args:
        name: the setting, by column or label.
        to: the value, with its unit unless pages show the setting in its stored unit.
        season: the season.

    Raises:
        WorkspaceError: the setting or the value cannot be read, or a value is given without its setting.
    """
    if name is None and to is None:
        return None, None
    if name is None:
        raise WorkspaceError(
            "a value is given without its setting", where="--to", remedy="name the setting with --setting"
        )
    setting = find_setting(name, season.catalogue, "--setting")
    if to is None:
        return setting.name, None
    is_certain = name.strip() == setting.name or display_units(season).codes[setting.unit] == setting.unit
    return setting.name, parse_value(to, setting, "--to", unit=setting.unit if is_certain else None)
