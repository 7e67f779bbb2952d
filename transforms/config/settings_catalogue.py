"""Catalogue of machine settings: name, stage, unit, plausible range, practical step and responses."""

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from transforms.config.problems import raise_problems
from transforms.config.response_catalogue import LOSS_PARTS, ROOT_LOSS

SET_POINT, LEFT, RIGHT = "set", "left", "right"
"""Kinds of values logged beside a setting."""


@dataclass(frozen=True)
class Setting:
    """One machine setting.

    Attributes:
        name: column name; ends in the stored unit.
        stage: topping, lifting, intake, conveying or cleaning.
        label: name shown on pages.
        unit: stored unit (`cm`, `mm`, `kmh`, `rpm`, `pct`, `flag`).
        low: lowest plausible value, in `unit`.
        high: highest plausible value, in `unit`.
        step: practical step of an adjustment, in `unit`.
        responses: responses that it may affect; with root loss, both of its parts.
        up: word for an increase.
        down: word for a decrease.
        nature: `numeric` or `flag`.
        breaks: "more" or "less" if the direction of its effect on root loss is known; else None.
        pairs: settings on which its effect may depend.
        logged_beside: values that a machine may log beside it: `set`, `left`, `right`.
        by: conditions on which its effect may depend besides those of every setting.
        curve: range over which its effect may be nonlinear; None for a linear effect.
    """

    name: str
    stage: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    responses: tuple[str, ...]
    up: str
    down: str
    nature: str = "numeric"
    breaks: str | None = None
    curve: tuple[float, float] | None = None
    pairs: tuple[str, ...] = ()
    by: tuple[str, ...] = ()
    logged_beside: tuple[str, ...] = ()

    @property
    def is_flag(self) -> bool:
        """True if the setting is on or off, such as a direction."""
        return self.nature == "flag"

    @property
    def companions(self) -> dict[str, str]:
        """Columns of the values logged beside it, by kind: share_depth_set_cm beside share_depth_cm."""
        stem = self.name.removesuffix(f"_{self.unit}")
        return {kind: f"{stem}_{kind}_{self.unit}" for kind in self.logged_beside}


Catalogue = dict[str, Setting]
US_STEPS = {"cm": 2.54 / 4, "mm": 25.4 / 8, "kmh": 1.609344 / 4}
"""Practical steps of built-in settings where machines are set in US units: 1/4 in, 1/8 in and 1/4 mph, in the stored
unit (common practice, no source)."""


def _setting(name: str, row: dict[str, Any]) -> Setting:
    low, high = row.get("curve", (None, None))
    curve = (low, high) if low is not None and high is not None else None
    parts = LOSS_PARTS if ROOT_LOSS in row["responses"] else ()
    responses = tuple(dict.fromkeys((*row["responses"], *parts)))
    lists = {key: tuple(row.get(key) or ()) for key in ("pairs", "by", "logged_beside")}
    return Setting(name=name, **{**row, **lists, "responses": responses, "curve": curve})


@cache
def _built_in() -> Catalogue:
    rows = tomllib.loads(files(__package__).joinpath("settings.toml").read_text("utf-8"))
    return {name: _setting(name, row) for name, row in rows.items()}


def load_catalogue(
    extra: dict[str, dict[str, Any]] | None = None, where: str = "season.toml", units: str = "metric"
) -> Catalogue:
    """Return the built-in settings and those that a workspace adds under `[settings.NAME]`.

    Args:
        extra: rows of the workspace, by name; a row with a built-in name replaces that setting.
        where: the file of these rows, for error messages.
        units: `metric` or `us`; in US units, the steps of built-in settings are fractions of an inch and a mile.

    Raises:
        WorkspaceError: a row has a missing or unknown key, or an invalid value.
    """
    if extra:
        from transforms.config.season import check_settings  # noqa: PLC0415 (keeps --help fast)

        raise_problems(check_settings(extra, where))
    built_in = _built_in()
    if units == "us":
        built_in = {n: replace(s, step=US_STEPS.get(s.unit, s.step)) for n, s in built_in.items()}
    return {**built_in, **{name: _setting(name, row) for name, row in (extra or {}).items()}}
