"""The catalogue of settings: name, stage, unit, plausible range, practical step, what each acts on."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from transforms.config.problems import raise_problems

DIRT = "dirt_tare_pct"
ROOT_LOSS = "root_loss_t_ha"
TOPS = "top_tare_pct"


@dataclass(frozen=True)
class Setting:
    """One machine setting.

    Attributes:
        name: column name; ends in the stored unit.
        stage: topping, lifting, intake, conveying or cleaning.
        label: what people call it.
        unit: stored unit (`cm`, `mm`, `kmh`, `rpm`, `pct`, `flag`).
        low: lowest plausible value, in `unit`.
        high: highest plausible value, in `unit`.
        step: the practical step one would move it by, in `unit`.
        responses: the responses it may act on.
        up: a person's word for more of it.
        down: a person's word for less of it.
        nature: `numeric` or `flag`.
        breaks: "more" or "less" where it is known what more of it does to root loss.
        curve: range over which its effect may bend; None where a straight line will do.
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


Catalogue = dict[str, Setting]


def _setting(name: str, row: dict[str, Any]) -> Setting:
    low, high = row.get("curve", (None, None))
    curve = (low, high) if low is not None and high is not None else None
    return Setting(name=name, **{**row, "responses": tuple(row["responses"]), "curve": curve})


@cache
def _built_in() -> Catalogue:
    rows = tomllib.loads(files(__package__).joinpath("settings.toml").read_text("utf-8"))
    return {name: _setting(name, row) for name, row in rows.items()}


def load_catalogue(extra: dict[str, dict[str, Any]] | None = None, where: str = "season.toml") -> Catalogue:
    """Return the built-in settings and those a workspace adds under `[settings.NAME]`.

    Args:
        extra: the workspace's own rows, by name; one of a built-in name replaces it.
        where: the file they came from, for the error message.

    Raises:
        WorkspaceError: a row lacks a key, has an unknown one, or a value that cannot be.
    """
    if extra:
        from transforms.config.season import check_settings  # noqa: PLC0415 (--help is to be quick)

        raise_problems(check_settings(extra, where))
    return {**_built_in(), **{name: _setting(name, row) for name, row in (extra or {}).items()}}
