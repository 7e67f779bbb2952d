"""Catalogue of responses: what the model explains, on which scale, from which facts and with which terms."""

import tomllib
from collections.abc import Collection
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Literal

DIRT = "dirt_tare_pct"
ROOT_LOSS = "root_loss_t_ha"
TOPS = "top_tare_pct"
TIP_LOSS = "tip_loss_t_ha"
WHOLE_ROOT_LOSS = "whole_root_loss_t_ha"
UNDER_TOPPED = "under_topped_pct"
OVER_TOPPED = "over_topped_pct"
DAMAGED = "damaged_pct"
LOSS_PARTS = (TIP_LOSS, WHOLE_ROOT_LOSS)
"""Responses that add up to the root loss."""
Scale = Literal["log_ratio", "log_shifted", "log_count", "logit_count"]


@dataclass(frozen=True)
class Response:
    """One response; `responses.toml` says what each entry means.

    Attributes:
        name: name of the response; ends in its unit.
        unit: unit of its values, `pct` or `t_ha`.
        scale: fitted scale.
        facts: table with a row per measurement.
        observed: column of the values, or of the counts of a share.
        min_rows: minimum number of rows of a fit.
        conditions: conditions with a line and a curve.
        size: column of the mass of one piece in kg (`log_count`) or of the number inspected (`logit_count`); else None.
        plainly_by: modifiers of the settings' effects with fixed coefficients.
        shrunk_by: modifiers of the settings' effects with shrunk coefficients, one variance each.
        surface: True if wetness x clay has a surface.
        by_soil: True if the settings' effects may differ by soil class.
        slopes: True if settings with a curve have slopes by machine.
        shared_bend: True if the settings that lose more roots when raised share a curvature, those that lose fewer
            another.
        place_sd: standard deviation of a setting's effect from place to place, relative to the effect that the fit
            expects there.
        prices: keys of `[prices]` that a change of it costs by; empty if it changes no cost.
        source: source of the relation between the response and its cost; empty if it changes no cost.
    """

    name: str
    unit: str
    scale: Scale
    facts: str
    observed: str
    min_rows: int
    conditions: tuple[str, ...]
    size: str | None = None
    plainly_by: tuple[str, ...] = ()
    shrunk_by: tuple[str, ...] = ()
    surface: bool = False
    by_soil: bool = False
    slopes: bool = False
    shared_bend: bool = False
    place_sd: float = 0.0
    prices: tuple[str, ...] = ()
    source: str = ""


def _read() -> dict[str, Response]:
    rows: dict[str, dict[str, Any]] = tomllib.loads(files(__package__).joinpath("responses.toml").read_text("utf-8"))
    fixed: dict[str, dict[str, Any]] = {
        name: {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}
        for name, row in rows.items()
    }
    return {name: Response(name=name, **row) for name, row in fixed.items()}


RESPONSES = _read()
"""Name -> response, in the order in which pages show them."""
PRICED = tuple(r.name for r in RESPONSES.values() if r.prices)
"""Responses that change the cost."""


def priced_responses(fitted: Collection[str]) -> list[str]:
    """Return the fitted responses that change the cost; stalks do only if no top tare, which contains them, is fitted.

    Args:
        fitted: names of the fitted responses.
    """
    return [r for r in PRICED if r in fitted and not (r == UNDER_TOPPED and TOPS in fitted)]
