"""Validation of `season.toml`: each table, and the rules between keys."""

import os
from pathlib import Path
from typing import Any

from transforms.config.problems import (
    Problem,
    format_value,
    key_shown,
    not_a_table,
    suggestion,
    table_shown,
    unknown_name,
)
from transforms.config.runtime import publish_folder
from transforms.config.season_tables import (
    SETTING_NAME,
    AdviceTable,
    FitTable,
    LabTable,
    NotifyTable,
    PricesTable,
    PublishTable,
    RunTable,
    ScheduleTable,
    SeasonFile,
    SeasonTable,
    SettingTable,
    SiteTable,
    TrialTable,
    VaryTable,
)
from transforms.config.tables import MAX_CHARACTERS, Table, check_table
from transforms.contracts.phrase import phrase
from transforms.contracts.units import SUFFIX_UNIT, stored_unit

TABLE_MODELS: dict[str, type[Table]] = {
    "season": SeasonTable,
    "prices": PricesTable,
    "lab": LabTable,
    "advice": AdviceTable,
    "trial": TrialTable,
    "vary": VaryTable,
    "notify": NotifyTable,
    "schedule": ScheduleTable,
}
"""Models of the tables that have no rules between keys."""
TABLES = tuple(SeasonFile.model_fields)
UNITS_OF_SETTINGS = (*SUFFIX_UNIT.values(), "flag", "count")


def check_season(table: dict[str, Any], path: Path) -> list[Problem]:
    """Return every error of a season file."""
    file = str(path)
    problems = [unknown_name(k, TABLES, file) for k in table if k not in TABLES]
    for name in (n for n in TABLES if n in table):
        rows, where = table[name], f"{file} [{name}]"
        if name == "sites":
            problems += check_sites(rows, where)
        elif name == "run":
            problems += check_run(rows, where)
        elif name == "publish":
            problems += check_publish(rows, where, path.parent)
        elif name == "fit":
            problems += check_fit(rows, where, path.parent)
        elif name == "settings":
            problems += check_settings(rows, file)
        else:
            problems += check_plain(name, rows, where)
    return problems


def check_plain(name: str, table: Any, where: str) -> list[Problem]:
    """Return every error of a table that has no rules between keys."""
    return check_table(TABLE_MODELS[name], table, where)[1]


def check_sites(table: Any, where: str) -> list[Problem]:
    """Return every error of `[sites]`."""
    if not isinstance(table, dict):
        return [not_a_table(table, where, phrase("write a table [sites.NAME] for each factory"))]
    file = where.removesuffix(" [sites]")
    problems = [
        Problem(
            "wrong_value",
            name,
            phrase("the site name {name} is empty, too long or contains control characters", name=key_shown(name)),
            where,
            phrase("use a short name of printable characters"),
        )
        for name in table
        if not name.strip() or not name.isprintable() or len(name) > MAX_CHARACTERS
    ]
    folded = [name.strip().casefold() for name in table]
    problems += [
        Problem(
            "conflict",
            name,
            phrase("the site {name} is defined twice", name=key_shown(name)),
            where,
            phrase("use names that differ by more than upper and lower case"),
        )
        for i, name in enumerate(table)
        if folded[i] in folded[:i]
    ]
    for name, row in table.items():
        problems += check_table(SiteTable, row, f"{file} {table_shown('sites', name)}")[1]
    return problems


def check_publish(table: Any, where: str, workspace: Path) -> list[Problem]:
    """Return every error of `[publish]`; copies inside the workspace would be read or copied again."""
    good, problems = check_table(PublishTable, table, where)
    folder = good.get("folder")
    if not folder:
        return problems
    shown, remedy = format_value(folder), phrase("name a folder outside the workspace")
    try:
        is_inside = publish_folder(folder, workspace).is_relative_to(workspace.resolve())
    except (RuntimeError, OSError, ValueError):  # an unknown user's home, or a loop of links
        what = phrase("'folder' is {value}, which cannot be found", value=shown)
        problems.append(Problem("wrong_value", "folder", what, where, remedy))
        return problems
    if is_inside:
        what = phrase("'folder' is {value}, which is inside the workspace", value=shown)
        problems.append(Problem("conflict", "folder", what, where, remedy))
    return problems


def check_run(table: Any, where: str) -> list[Problem]:
    """Return every error of `[run]`."""
    good, problems = check_table(RunTable, table, where)
    has_wrong_address = isinstance(table, dict) and "address" in table and "address" not in good
    if good.get("engine") == "dask" and not good.get("address") and not has_wrong_address:
        what = phrase("'engine' is 'dask', but 'address' is missing")
        remedy = phrase("add {line}", line='address = "tcp://HOST:8786"')
        problems.append(Problem("conflict", "engine", what, where, remedy))
    return problems


def check_fit(table: Any, where: str, folder: Path) -> list[Problem]:
    """Return every error of `[fit]`."""
    good, problems = check_table(FitTable, table, where)
    previous = good.get("last_season")
    if previous and os.path.realpath(folder / previous) == os.path.realpath(folder):
        shown = format_value(previous)
        what = phrase("'last_season' is {value}, which is this workspace itself", value=shown)
        remedy = phrase("name the folder of last season's workspace, or remove the line")
        problems.append(Problem("conflict", "last_season", what, where, remedy))
    return problems


def check_settings(table: Any, file: str) -> list[Problem]:
    """Return every error of the tables `[settings.NAME]`."""
    if not isinstance(table, dict):
        where = f"{file} [settings]"
        return [not_a_table(table, where, phrase("write a table [settings.NAME] for each setting"))]
    problems: list[Problem] = []
    for name, row in table.items():
        where = f"{file} {table_shown('settings', name)}"
        good, wrong = check_table(SettingTable, row, where)
        problems += [*wrong, *_setting_name(name, where), *_unit(name, good, where), *_range(good, where)]
    return problems


def _setting_name(name: str, where: str) -> list[Problem]:
    if not SETTING_NAME.fullmatch(name):
        what = phrase("{name} is not a valid setting name", name=key_shown(name))
        remedy = phrase("use lower-case letters, digits and underscores, such as brush_speed_rpm")
        return [Problem("wrong_value", name, what, where, remedy)]
    from transforms.contracts.source_tables import Telemetry  # noqa: PLC0415 (slow import, needed only for settings that a season adds)
    from transforms.storage.lake import NO_BINS  # noqa: PLC0415

    if name in {*Telemetry.columns(), *NO_BINS}:
        what = phrase("{name} is already the name of another column", name=key_shown(name))
        return [Problem("conflict", name, what, where, phrase("use another name"))]
    return []


def _unit(name: str, row: dict[str, Any], where: str) -> list[Problem]:
    unit = row.get("unit")
    if unit is None:
        return []
    if unit not in UNITS_OF_SETTINGS:
        what = phrase("'unit' is {value}", value=format_value(unit))
        use = phrase("use one of {names}", names=", ".join(dict.fromkeys(UNITS_OF_SETTINGS)))
        return [Problem("wrong_value", "unit", what, where, suggestion(unit, UNITS_OF_SETTINGS) or use)]
    name_unit, shown, remedy = stored_unit(name), format_value(unit), phrase("rename the setting or correct the unit")
    if unit in SUFFIX_UNIT.values() and name_unit != unit:
        suffix = next(s for s, u in SUFFIX_UNIT.items() if u == unit)
        what = phrase("'unit' is {value}, but the setting's name does not end in {suffix}", value=shown, suffix=suffix)
        return [Problem("conflict", "unit", what, where, remedy)]
    if unit not in SUFFIX_UNIT.values() and name_unit is not None:
        what = phrase(
            "'unit' is {value}, but the suffix of the setting's name means {unit}", value=shown, unit=name_unit
        )
        return [Problem("conflict", "unit", what, where, remedy)]
    return []


def _range(row: dict[str, Any], where: str) -> list[Problem]:
    low, high, curve = row.get("low"), row.get("high"), row.get("curve")
    out = []
    if low is not None and high is not None and low >= high:
        what = phrase("'low' is {low:g} and 'high' is {high:g}", low=low, high=high)
        out.append(Problem("conflict", "low", what, where, phrase("give high a larger value than low")))
    elif low is not None and high is not None:
        if "step" in row and row["step"] > high - low:
            what = phrase("'step' is {step:g}, more than the range", step=row["step"])
            out.append(Problem("conflict", "step", what, where, phrase("give it a smaller value")))
        if curve is not None and not low <= curve[0] < curve[1] <= high:
            what = phrase("'curve' is {value}", value=format_value(curve))
            remedy = phrase("give it two numbers from {low:g} to {high:g}, the smaller first", low=low, high=high)
            out.append(Problem("conflict", "curve", what, where, remedy))
    responses = row.get("responses", [])
    if len(set(responses)) < len(responses):
        what = phrase("'responses' is {value}", value=format_value(responses))
        out.append(Problem("conflict", "responses", what, where, phrase("name each response once")))
    return out
