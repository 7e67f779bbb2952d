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
)
from transforms.config.tables import MAX_CHARACTERS, Table, check_table
from transforms.contracts.units import SUFFIX_UNIT, stored_unit

TABLE_MODELS: dict[str, type[Table]] = {
    "season": SeasonTable,
    "prices": PricesTable,
    "lab": LabTable,
    "advice": AdviceTable,
    "trial": TrialTable,
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
        return [not_a_table(table, where, "write a table [sites.NAME] for each factory")]
    file = where.removesuffix(" [sites]")
    problems = [
        Problem(
            "wrong_value",
            name,
            f"the site name {key_shown(name)} is empty, too long or contains control characters",
            where,
            "use a short name of printable characters",
        )
        for name in table
        if not name.strip() or not name.isprintable() or len(name) > MAX_CHARACTERS
    ]
    folded = [name.strip().casefold() for name in table]
    problems += [
        Problem(
            "conflict",
            name,
            f"the site {key_shown(name)} is defined twice",
            where,
            "use names that differ by more than upper and lower case",
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
    what, remedy = f"'folder' is {format_value(folder)}", "name a folder outside the workspace"
    try:
        is_inside = publish_folder(folder, workspace).is_relative_to(workspace.resolve())
    except (RuntimeError, OSError, ValueError):  # an unknown user's home, or a loop of links
        problems.append(Problem("wrong_value", "folder", f"{what}, which cannot be found", where, remedy))
        return problems
    if is_inside:
        problems.append(Problem("conflict", "folder", f"{what}, which is inside the workspace", where, remedy))
    return problems


def check_run(table: Any, where: str) -> list[Problem]:
    """Return every error of `[run]`."""
    good, problems = check_table(RunTable, table, where)
    has_wrong_address = isinstance(table, dict) and "address" in table and "address" not in good
    if good.get("engine") == "dask" and not good.get("address") and not has_wrong_address:
        remedy = 'add address = "tcp://HOST:8786"'
        problems.append(Problem("conflict", "engine", "'engine' is 'dask', but 'address' is missing", where, remedy))
    return problems


def check_fit(table: Any, where: str, folder: Path) -> list[Problem]:
    """Return every error of `[fit]`."""
    good, problems = check_table(FitTable, table, where)
    previous = good.get("last_season")
    if previous and os.path.realpath(folder / previous) == os.path.realpath(folder):
        remedy = "name the folder of last season's workspace, or remove the line"
        problems.append(
            Problem(
                "conflict",
                "last_season",
                f"'last_season' is {format_value(previous)}, which is this workspace itself",
                where,
                remedy,
            )
        )
    return problems


def check_settings(table: Any, file: str) -> list[Problem]:
    """Return every error of the tables `[settings.NAME]`."""
    if not isinstance(table, dict):
        where = f"{file} [settings]"
        return [not_a_table(table, where, "write a table [settings.NAME] for each setting")]
    problems: list[Problem] = []
    for name, row in table.items():
        where = f"{file} {table_shown('settings', name)}"
        good, wrong = check_table(SettingTable, row, where)
        problems += [*wrong, *_setting_name(name, where), *_unit(name, good, where), *_range(good, where)]
    return problems


def _setting_name(name: str, where: str) -> list[Problem]:
    if not SETTING_NAME.fullmatch(name):
        remedy = "use lower-case letters, digits and underscores, such as brush_speed_rpm"
        return [Problem("wrong_value", name, f"{key_shown(name)} is not a valid setting name", where, remedy)]
    from transforms.contracts.source_tables import Telemetry  # noqa: PLC0415 (slow import, needed only for settings that a season adds)
    from transforms.storage.lake import NO_BINS  # noqa: PLC0415

    if name in {*Telemetry.columns(), *NO_BINS}:
        return [
            Problem(
                "conflict", name, f"{key_shown(name)} is already the name of another column", where, "use another name"
            )
        ]
    return []


def _unit(name: str, row: dict[str, Any], where: str) -> list[Problem]:
    unit = row.get("unit")
    if unit is None:
        return []
    if unit not in UNITS_OF_SETTINGS:
        use = f"use one of {', '.join(dict.fromkeys(UNITS_OF_SETTINGS))}"
        return [
            Problem(
                "wrong_value",
                "unit",
                f"'unit' is {format_value(unit)}",
                where,
                suggestion(unit, UNITS_OF_SETTINGS) or use,
            )
        ]
    name_unit = stored_unit(name)
    if unit in SUFFIX_UNIT.values() and name_unit != unit:
        suffix = next(s for s, u in SUFFIX_UNIT.items() if u == unit)
        what = f"'unit' is {format_value(unit)}, but the setting's name does not end in {suffix}"
        return [Problem("conflict", "unit", what, where, "rename the setting or correct the unit")]
    if unit not in SUFFIX_UNIT.values() and name_unit is not None:
        what = f"'unit' is {format_value(unit)}, but the suffix of the setting's name means {name_unit}"
        return [Problem("conflict", "unit", what, where, "rename the setting or correct the unit")]
    return []


def _range(row: dict[str, Any], where: str) -> list[Problem]:
    low, high, curve = row.get("low"), row.get("high"), row.get("curve")
    out = []
    if low is not None and high is not None and low >= high:
        out.append(
            Problem(
                "conflict",
                "low",
                f"'low' is {low:g} and 'high' is {high:g}",
                where,
                "give high a larger value than low",
            )
        )
    elif low is not None and high is not None:
        if "step" in row and row["step"] > high - low:
            out.append(
                Problem(
                    "conflict",
                    "step",
                    f"'step' is {row['step']:g}, more than the range",
                    where,
                    "give it a smaller value",
                )
            )
        if curve is not None and not low <= curve[0] < curve[1] <= high:
            remedy = f"give it two numbers from {low:g} to {high:g}, the smaller first"
            out.append(Problem("conflict", "curve", f"'curve' is {format_value(curve)}", where, remedy))
    responses = row.get("responses", [])
    if len(set(responses)) < len(responses):
        out.append(
            Problem(
                "conflict", "responses", f"'responses' is {format_value(responses)}", where, "name each response once"
            )
        )
    return out
