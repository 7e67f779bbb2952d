"""Settings and their values as people write them: a setting by its label, a value in any unit of its quantity."""

import re
from collections.abc import Sequence

from reports.language.labels import setting_label
from reports.language.translate import translated
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.contracts.flag_words import parse_flag
from transforms.contracts.phrase import Phrase, phrase
from transforms.contracts.similar_name import use_one_of
from transforms.contracts.units import UNITS, conversion_factor, parse_unit
from transforms.errors import WorkspaceError

QUANTITY = re.compile(r"\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(.*?)\s*")
"""A number with a decimal point or comma, then a unit."""
SIGNS = {"pct": "%", "kmh": "km/h"}
"""Code of a unit -> its usual sign, if it differs."""


def _plain(text: str) -> str:
    return " ".join(text.casefold().replace("_", " ").replace("-", " ").split())


def _names(setting: Setting, catalogue: Catalogue) -> list[str]:
    """Return the names of a setting in lower case: its column with and without unit, its label in two languages."""
    column = setting.name.removesuffix(f"_{setting.unit}")
    labels = (setting_label(setting.name, catalogue), setting.label)
    return [_plain(n) for n in (setting.name, column, *labels)]


def find_setting(text: str, catalogue: Catalogue, where: str, among: Sequence[str] | None = None) -> Setting:
    """Return the setting that a person names.

    Args:
        text: name of the column, with or without its unit, the label in English or in the language of the workspace,
            or a part of one of these that only one setting has: `depth` for the share depth.
        catalogue: the settings known.
        where: the option, for error messages.
        among: names of the settings that are preferred if several have such a name; None for all.

    Raises:
        WorkspaceError: no setting or more than one has such a name.
    """
    wanted, words = _plain(text), _plain(text).split()
    named = {s.name: _names(s, catalogue) for s in catalogue.values()}
    found = [s for s in catalogue.values() if wanted and wanted in named[s.name]]
    if not found and words:
        found = [s for s in catalogue.values() if any(all(w in n for w in words) for n in named[s.name])]
    found = [s for s in found if among is None or s.name in among] or found
    if len(found) == 1:
        return found[0]
    if found:
        raise WorkspaceError(
            "'{text}' is part of several settings",
            where=where,
            remedy="write one of {names}",
            text=text,
            names=", ".join(setting_label(s.name, catalogue) for s in found),
        )
    labels = [setting_label(n, catalogue) for n in (catalogue if among is None else among)]
    raise WorkspaceError(
        "there is no setting '{text}'", where=where, remedy="{hint}", text=text, hint=use_one_of(text, labels)
    )


def parse_value(text: str, setting: Setting, where: str, *, unit: str | None) -> float:
    """Return a value of a setting in its stored unit.

    Args:
        text: a number and a unit, such as `8cm` or `3,1 in`; of a flag, 0 or 1 or a word such as `yes`.
        setting: the setting.
        where: the option, for error messages.
        unit: unit of a number without one; None if it is needed.

    Raises:
        WorkspaceError: the text is not a number with a unit of the setting's quantity.

    >>> from transforms.config.settings_catalogue import load_catalogue
    >>> parse_value("80 mm", load_catalogue()["share_depth_cm"], "--set", unit="cm")
    8.0
    """
    if setting.is_flag and (word := parse_flag(text.strip(), setting.name)) is not None:
        return float(word)
    found = QUANTITY.fullmatch(text)
    sign = "" if found is None else found[2]
    given = _unit_of(sign) if sign else unit
    if found is None or (sign and given is None):
        raise _value_error(phrase("'{text}' is not a number with a known unit", text=text), setting, where)
    if given is None:
        raise _value_error(phrase("the unit of '{text}' is missing", text=text), setting, where)
    if UNITS[given].dimension != UNITS[setting.unit].dimension:
        raise _value_error(phrase("'{text}' is in a unit of another quantity", text=text), setting, where)
    number = float(found[1].replace(",", "."))
    factor, offset = conversion_factor(given, setting.unit, where=where)
    return number * factor + offset


def _value_error(fault: Phrase, setting: Setting, where: str) -> WorkspaceError:
    return WorkspaceError(
        "{fault}",
        where=where,
        remedy="write the value of '{setting}' as {example}",
        fault=fault,
        setting=setting.name,
        example=_example(setting),
    )


def _unit_of(sign: str) -> str | None:
    """Return the code of a unit, also as pages of the workspace show it."""
    return parse_unit(sign) or ("rpm" if sign.casefold() == translated("rpm").casefold() else None)


def _example(setting: Setting) -> str:
    """Return a plausible value with its unit."""
    middle = f"{(setting.low + setting.high) / 2:g}"
    return "1" if setting.is_flag else f"{middle} {SIGNS.get(setting.unit, setting.unit)}"


def parse_assignment(
    text: str, catalogue: Catalogue, where: str, shown_unit: dict[str, str], among: Sequence[str] | None = None
) -> tuple[str, float]:
    """Return the name of a setting and its value in the stored unit from `SETTING=VALUE`.

    A number without a unit is in the stored unit if the setting is named by its column, which ends in the unit, or if
    pages show the setting in that unit; otherwise the unit is needed.

    Args:
        text: the assignment.
        catalogue: the settings known.
        where: the option, for error messages.
        shown_unit: stored unit -> unit in which pages show it.
        among: names of the settings that can be meant; None for all.

    Raises:
        WorkspaceError: the setting or its value cannot be read.
    """
    name, sign, value = text.partition("=")
    if not sign:
        raise WorkspaceError(
            "'{pair}' is not a setting with a value", where=where, remedy="write it as depth=8cm", pair=text
        )
    setting = find_setting(name.strip(), catalogue, where, among)
    is_certain = name.strip() == setting.name or shown_unit.get(setting.unit, setting.unit) == setting.unit
    return setting.name, parse_value(value, setting, where, unit=setting.unit if is_certain else None)
